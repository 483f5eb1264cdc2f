"""
One file of the spool: a header, frames in a row, then space that was reserved and not yet written.

Reading is lazy and checked; only the last segment, where a write can have been torn, is scanned.
"""

from __future__ import annotations

import os
import struct
import zlib
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import SpoolDamageError, StateVersionError, StorageError
from pipeline.store.disk import Disk
from pipeline.store.durable import part_name, storage_error
from pipeline.store.frame import (
    FRAME_VERSION,
    Record,
    Stop,
    frame_at,
    frame_bytes,
    next_frame,
    read_frames,
)

SUFFIX = ".spool"
HEADER_BYTES = 64
_HEADER = struct.Struct("<8sIQQ")  # magic, version, first, follows; then their CRC-32
_MAGIC = b"SWSPOOL\0"
_MARK_EVERY = 512
_LARGEST_CHUNK = 1 << 20


class Marks:
    """Where some records of a segment begin, so that no read starts at the head of the file."""

    def __init__(self, position: int, offset: int) -> None:
        self._positions = [position]
        self._offsets = [offset]
        self._recent: deque[tuple[int, int]] = deque(maxlen=8)

    def add(self, position: int, offset: int) -> None:
        """Remember a place; of places close together only the most recent ones."""
        self._recent.append((position, offset))
        index = bisect_right(self._positions, position) - 1
        if position - self._positions[index] >= _MARK_EVERY:
            self._positions.insert(index + 1, position)
            self._offsets.insert(index + 1, offset)

    def before(self, position: int) -> tuple[int, int]:
        """Position and byte of the nearest known record that is not behind `position`."""
        for place in self._recent:
            if place[0] == position:
                return place
        index = max(bisect_right(self._positions, position) - 1, 0)
        return self._positions[index], self._offsets[index]


@dataclass(frozen=True)
class Recovery:
    """What opening the last segment found: next position, bytes cut off, damage in the middle."""

    next_position: int
    torn_bytes: int
    is_damaged: bool


@dataclass
class _Island:
    """A row of sound frames; `proven`: all records below that position had been durable."""

    first: int
    starts: list[int]
    end: int
    proven: int

    @property
    def next_position(self) -> int:
        return self.first + len(self.starts)


class Segment:
    """
    Records from `first` on; `follows` is where the segment before it ended.

    `first` above `follows` means positions that never existed (a spool behind its ledger). The
    writer's calls (`append`, `sync`, `finish`) belong to one thread at a time; `read` to one
    other. They raise OSError: the spool decides what a failed write means.
    """

    def __init__(self, path: Path, first: int, follows: int, disk: Disk) -> None:
        self.path = path
        self.first = first
        self.follows = follows
        self.has_sound_header = True
        self.size = HEADER_BYTES
        """Bytes that may hold frames: up to here the writer wrote, or the file's size."""
        self._disk = disk
        self._writer = -1
        self._marks = Marks(first, HEADER_BYTES)

    @classmethod
    def create(cls, folder: Path, first: int, follows: int, space: int, disk: Disk) -> Segment:
        """New segment, durable under its name with `space` bytes reserved; raises OSError."""
        segment = cls(folder / f"{first:020d}{SUFFIX}", first, follows, disk)
        part = part_name(segment.path)
        fields = _HEADER.pack(_MAGIC, FRAME_VERSION, first, follows)
        header = (fields + struct.pack("<I", zlib.crc32(fields))).ljust(HEADER_BYTES, b"\0")
        segment._writer = disk.open(part, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
        try:
            disk.preallocate(segment._writer, 0, max(space, HEADER_BYTES))
            disk.write(segment._writer, header, 0)
            disk.sync(segment._writer)
            disk.replace(part, segment.path)
            disk.sync_folder(folder)
        except OSError:
            segment.close()
            raise
        return segment

    @classmethod
    def open(cls, path: Path, disk: Disk) -> Segment:
        """
        Segment of an existing file, to be read; `recover` makes it writable.

        A broken header is not fatal: the name says `first`, and every frame has its own checksum.

        Raises:
            StateVersionError: written by a newer release.
            StorageError: the name is not a position.
        """
        if not path.stem.isdecimal():
            raise StorageError(
                f"{path}: not a segment of the spool: expected a name of 20 digits and {SUFFIX}. "
                "Move the file to another folder."
            )
        first = int(path.stem)
        with path.open("rb") as file:
            header = file.read(HEADER_BYTES)
            size = os.fstat(file.fileno()).st_size
        fields = header[: _HEADER.size]
        segment = cls(path, first, first, disk)
        segment.size = size
        segment.has_sound_header = len(header) == HEADER_BYTES and header.startswith(
            struct.pack("<I", zlib.crc32(fields)), _HEADER.size
        )
        if segment.has_sound_header:
            _, version, _, segment.follows = _HEADER.unpack(fields)
            if version != FRAME_VERSION:
                raise StateVersionError(f"spool segment {path}", version, FRAME_VERSION)
        return segment

    def append(self, parts: list[bytes]) -> None:
        """Write frames behind the last; not durable before `sync`. Raises OSError."""
        payload = b"".join(parts)
        self._disk.write(self._writer, payload, self.size)
        self.size += len(payload)

    def sync(self) -> None:
        """What was appended is on the medium. Raises OSError."""
        self._disk.sync_bytes(self._writer)

    def finish(self) -> None:
        """Sync, give back reserved space and close for writing. Raises OSError."""
        self._disk.truncate(self._writer, self.size)
        self._disk.sync(self._writer)
        self.close()

    def close(self) -> None:
        """Close the writer's descriptor, if it is open."""
        writer, self._writer = self._writer, -1
        if writer >= 0:
            self._disk.close(writer)

    def recover(self, space: int) -> Recovery:
        """
        Make the last segment writable: cut off what a crash tore, reserve `space` bytes again.

        A bad frame is torn, and goes with all that follows it, unless a later frame proves that
        it had been durable: then it is damage, stays, and `read` will name it. What the last
        frame does not prove durable is written once more: after a failed sync the system may
        show bytes that never reached the medium.

        Raises:
            OSError: a system call failed.
            StorageError: neither the header nor a single frame is sound.
        """
        self._writer = self._disk.open(self.path, os.O_RDWR)
        chunk = os.pread(self._writer, self.size, 0)
        islands = _kept(_islands(chunk, self.first))
        last = islands[-1]
        rest = len(chunk[last.end :].rstrip(b"\0"))
        if rest and not self.has_sound_header and not any(island.starts for island in islands):
            raise StorageError(
                f"{self.path}: neither its header nor any of its records can be read: expected a "
                "spool segment. Copy the file away, look at the medium with `spanwarden doctor`, "
                "then remove the file and start again: what it held is lost."
            )
        for island in islands:
            for number in range(0, len(island.starts), _MARK_EVERY):
                self._marks.add(island.first + number, island.starts[number])
        if last.starts:
            doubtful = last.starts[max(min(last.proven - last.first, len(last.starts) - 1), 0)]
            self._disk.write(self._writer, chunk[doubtful : last.end], doubtful)
        if rest:  # zeros must follow the last frame, or old bytes could pass for new frames
            self._disk.truncate(self._writer, last.end)
        self._disk.preallocate(self._writer, 0, max(space, HEADER_BYTES))
        self._disk.sync(self._writer)
        self.size = last.end
        return Recovery(last.next_position, rest, len(islands) > 1)

    def read(self, start: int, stop: int, max_records: int, max_bytes: int) -> list[Record]:
        """
        Records from `start` up to `stop` (exclusive), fewer at the limits or before damage.

        Raises:
            SpoolDamageError: the record at `start` was written and cannot be read.
            StorageError: the system refused to read.
        """
        records: list[Record] = []
        try:
            descriptor = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
            try:
                position, offset = self._find(descriptor, start, stop)
                wanted = min(max_records, stop - start)
                while len(records) < wanted and max_bytes > 0:
                    found, used = self._frames(
                        descriptor, position, offset, wanted - len(records), max_bytes
                    )
                    if not found and not records:
                        resume, _ = self._resume(descriptor, position, offset, stop)
                        raise SpoolDamageError(str(self.path), offset, position, resume)
                    if not found:
                        break
                    records += found
                    position, offset = position + len(found), offset + used
                    max_bytes -= used
                    self._marks.add(position, offset)
            finally:
                os.close(descriptor)
        except OSError as error:
            raise storage_error(f"{self.path}: not read", error) from error
        return records

    def _find(self, descriptor: int, start: int, stop: int) -> tuple[int, int]:
        position, offset = self._marks.before(start)
        while position < start:
            found, used = self._frames(
                descriptor, position, offset, min(start - position, _MARK_EVERY), _LARGEST_CHUNK
            )
            if found:
                position, offset = position + len(found), offset + used
                self._marks.add(position, offset)
                continue
            resume, there = self._resume(descriptor, position, offset, stop)
            if resume > start:
                raise SpoolDamageError(str(self.path), offset, start, resume)
            position, offset = resume, there
        return position, offset

    def _frames(
        self, descriptor: int, position: int, offset: int, max_records: int, max_bytes: int
    ) -> tuple[list[Record], int]:
        wanted = min(max(max_records << 10, 1 << 16), _LARGEST_CHUNK, self.size - offset)
        chunk = os.pread(descriptor, max(wanted, 0), offset)
        found, used, why = read_frames(chunk, position, max_records, max_bytes)
        if not found and why is Stop.SHORT:
            whole = frame_bytes(chunk)
            if whole is not None and len(chunk) < whole <= self.size - offset:
                chunk = os.pread(descriptor, whole, offset)
                found, used, _ = read_frames(chunk, position, 1, whole)
        return found, used

    def _resume(self, descriptor: int, position: int, offset: int, stop: int) -> tuple[int, int]:
        """Position and byte of the next sound frame behind the bad one; `stop` if there is none."""
        chunk = os.pread(descriptor, max(self.size - offset, 0), offset)
        ahead = next_frame(chunk, 0, position)
        head = None if ahead is None else frame_at(chunk, ahead)
        if ahead is None or head is None or head.position >= stop:
            return stop, self.size
        self._marks.add(head.position, offset + ahead)
        return head.position, offset + ahead


def _islands(chunk: bytes, first: int) -> list[_Island]:
    """Rows of sound frames in a whole segment; the first may be empty."""
    islands: list[_Island] = []
    offset, position = HEADER_BYTES, first
    while True:
        island = _Island(position, [], offset, 0)
        while (head := frame_at(chunk, offset)) is not None and head.position == position:
            island.starts.append(offset)
            island.proven = max(island.proven, head.proven)
            offset, position = offset + head.size, position + 1
        island.end = offset
        islands.append(island)
        if chunk.count(b"\0", offset) >= len(chunk) - offset:
            return islands
        ahead = next_frame(chunk, offset, position)
        found = None if ahead is None else frame_at(chunk, ahead)
        if ahead is None or found is None:
            return islands
        offset, position = ahead, found.position


def _kept(islands: list[_Island]) -> list[_Island]:
    """Without the rows behind a torn write: those that do not prove what is before them."""
    proven = 0
    for index in range(len(islands) - 1, 0, -1):
        proven = max(proven, islands[index].proven)
        if proven > islands[index - 1].next_position:
            return islands[: index + 1]
    return islands[:1]
