"""
The spool's record and its frame: length and checksum, then position, times, names and payload.

A frame is little endian: `_PREFIX` (length of what follows, its CRC-32), `_HEAD`, topic, content
type, payload. A length of zero is space that was reserved and never written.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, IntEnum
from itertools import count

import numpy as np

from pipeline.errors import StateVersionError

FRAME_VERSION = 1
MAX_BODY_BYTES = 1 << 30

_PREFIX = struct.Struct("<II")
# position, received, sequence, unsynced, kind, has_sequence, topic bytes, content type bytes
_HEAD = struct.Struct("<QqqIBBHH")
_BOTH = struct.Struct("<IIQqqIBBHH")
MIN_FRAME_BYTES = _BOTH.size
_MAX_UNSYNCED = 0xFFFFFFFF


class RecordKind(IntEnum):
    """What a record of the spool is; the numbers are on the medium, so append only."""

    MESSAGE = 1
    TICK = 2
    COMMAND = 3
    FINDING = 4


_KINDS = {int(kind): kind for kind in RecordKind}


@dataclass(frozen=True, slots=True)
class Record:
    """
    One record of the spool: what arrived, or what the station says to itself, in one order.

    `received_us` is µs UTC; `position` counts records from 0 and is -1 until it is appended.
    """

    kind: RecordKind
    received_us: int
    payload: bytes
    topic: str = ""
    content_type: str = ""
    sequence: int | None = None
    position: int = -1


@dataclass(frozen=True, slots=True)
class FrameHead:
    """Head of a whole, checked frame; `proven` is a position below which all were durable."""

    position: int
    proven: int
    size: int


class Stop(Enum):
    """Why reading frames ended: enough of them, chunk too short, reserved space, or damage."""

    ENOUGH = 1
    SHORT = 2
    ZEROS = 3
    BAD = 4


def encode_frames(records: Sequence[Record], position: int, unsynced: int) -> list[bytes]:
    """
    Frames of `records`, two parts each (prefix, body), the first at `position`.

    `unsynced` is how many records before the first are not known to be on the medium. It tells a
    later reader whether a bad frame before this one is a torn write or a loss.

    Raises:
        ValueError: a record does not fit in a frame; names the record and what is too large.
    """
    parts: list[bytes] = []
    for number, record in enumerate(records):
        topic = record.topic.encode()
        content_type = record.content_type.encode()
        sequence = record.sequence
        try:
            head = _HEAD.pack(
                position + number,
                record.received_us,
                0 if sequence is None else sequence,
                min(unsynced + number, _MAX_UNSYNCED),
                record.kind,
                sequence is not None,
                len(topic),
                len(content_type),
            )
        except struct.error as error:
            raise ValueError(_misfit(number, record, str(error))) from error
        body = b"".join((head, topic, content_type, record.payload))
        if len(body) > MAX_BODY_BYTES:
            raise ValueError(_misfit(number, record, f"payload of {len(record.payload)} bytes"))
        parts.append(_PREFIX.pack(len(body), zlib.crc32(body)))
        parts.append(body)
    return parts


def read_frames(
    chunk: bytes, position: int, max_records: int, max_bytes: int
) -> tuple[list[Record], int, Stop]:
    """
    Records whose frames start at byte 0 of `chunk`, the first of them at `position`.

    Returns:
        The records; bytes used; why it stopped. At least one record is returned when the first
        frame is whole and sound, however large; `max_bytes` counts whole frames.

    Raises:
        StateVersionError: a sound frame holds a kind of record that this code does not know.
    """
    view = memoryview(chunk)
    unpack, crc32, size = _BOTH.unpack_from, zlib.crc32, len(chunk)
    records: list[Record] = []
    names: dict[bytes, str] = {b"": ""}
    offset, end_of_head = 0, MIN_FRAME_BYTES
    for expected in count(position):
        if len(records) >= max_records or offset >= max_bytes:
            return records, offset, Stop.ENOUGH
        if offset + end_of_head > size:
            return records, offset, _short_or_zeros(chunk, offset)
        length, crc, found, received, sequence, _, kind, has_sequence, topics, types = unpack(
            chunk, offset
        )
        end = offset + 8 + length
        if end > size:
            return records, offset, Stop.SHORT if length <= MAX_BODY_BYTES else Stop.BAD
        at = offset + end_of_head
        if found != expected or at + topics + types > end or crc32(view[offset + 8 : end]) != crc:
            return records, offset, Stop.BAD if length else Stop.ZEROS
        topic, content_type = chunk[at : at + topics], chunk[at + topics : at + topics + types]
        for name in (topic, content_type):
            if name not in names:
                names[name] = name.decode()
        records.append(
            Record(
                _KINDS.get(kind) or _unknown(kind),
                received,
                chunk[at + topics + types : end],
                names[topic],
                names[content_type],
                sequence if has_sequence else None,
                found,
            )
        )
        offset = end
    raise AssertionError("count() never ends")


def frame_at(chunk: bytes, offset: int) -> FrameHead | None:
    """Head of the frame at byte `offset`, of any position; None when no sound frame is there."""
    if offset < 0 or offset + MIN_FRAME_BYTES > len(chunk):
        return None
    length, crc, position, _, _, unsynced, _, _, topics, types = _BOTH.unpack_from(chunk, offset)
    end = offset + 8 + length
    if end > len(chunk) or length < _HEAD.size + topics + types:
        return None
    if zlib.crc32(memoryview(chunk)[offset + 8 : end]) != crc:
        return None
    return FrameHead(position, position - unsynced, 8 + length)


def frame_bytes(chunk: bytes) -> int | None:
    """Bytes of the frame that starts at byte 0, as its length says; None when it cannot be."""
    if len(chunk) < _PREFIX.size:
        return None
    length = int(_PREFIX.unpack_from(chunk)[0])
    return 8 + length if _HEAD.size <= length <= MAX_BODY_BYTES else None


def next_frame(chunk: bytes, offset: int, above: int) -> int | None:
    """
    Byte of the first sound frame behind a bad one at `offset`, of a position above `above`.

    A frame is known by its position lying where it can lie, and then by its checksum; whole
    positions are looked for at every byte, so that a broken length does not hide what follows.
    """
    highest = above + (len(chunk) - offset) // MIN_FRAME_BYTES + 1
    candidates = []
    for shift in range(8):
        start = offset + 1 + 8 + shift
        words = np.frombuffer(
            chunk, "<u8", max((len(chunk) - start) // 8, 0), min(start, len(chunk))
        )
        hits = np.flatnonzero((words > above) & (words <= highest))
        candidates.append(hits * 8 + (start - 8))
    for candidate in np.sort(np.concatenate(candidates)):
        if frame_at(chunk, int(candidate)) is not None:
            return int(candidate)
    return None


def _short_or_zeros(chunk: bytes, offset: int) -> Stop:
    return Stop.SHORT if chunk[offset:].strip(b"\0") else Stop.ZEROS


def _unknown(kind: int) -> RecordKind:
    raise StateVersionError("spool record kind", kind, max(_KINDS))


def _misfit(number: int, record: Record, why: str) -> str:
    return (
        f"record {number} of the group (topic {record.topic[:80]!r}) does not fit in a frame: "
        f"{why}; expected a payload below {MAX_BODY_BYTES} bytes, names below 65536 bytes and "
        "whole numbers of 64 bits. Refuse it before the spool; nothing of the group was written."
    )
