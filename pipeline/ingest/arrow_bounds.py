"""
Bounds of an Arrow IPC stream, read from its metadata before anything is decoded.

A compressed buffer claims its size in its first eight bytes, and a null column any number of
rows: both would be believed by the decoder.

Ref: Arrow columnar format, "IPC Streaming Format" and Message.fbs (RecordBatch, DictionaryBatch).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import pyarrow as pa

from pipeline.errors import PayloadError
from pipeline.ingest.columns import MAX_ROWS

MAX_DECOMPRESSED_BYTES = 64 * 1024 * 1024
"""Of all buffers of one message together."""

# Field numbers in Message.fbs.
_MESSAGE_HEADER, _DICTIONARY_DATA = 2, 1
_BATCH_LENGTH, _BATCH_BUFFERS, _BATCH_COMPRESSION = 0, 2, 3
_INT64 = struct.Struct("<q")
_INT32 = struct.Struct("<i")
_UINT16 = struct.Struct("<H")


def check_bounds(stream: pa.Buffer) -> None:
    """
    Walk the messages of an IPC stream without decoding their columns.

    Raises:
        PayloadError: `too_many` rows are claimed, or `oversize` buffers once decompressed.
        struct.error, ValueError, OSError: the stream is damaged; for the codec to word.
    """
    rows = claimed = 0
    for message in pa.ipc.MessageReader.open_stream(stream):
        if message.type not in ("record batch", "dictionary"):
            continue
        metadata = bytes(message.metadata)
        batch = _field(metadata, _root(metadata), _MESSAGE_HEADER)
        if message.type == "dictionary":
            batch = _field(metadata, _follow(metadata, batch), _DICTIONARY_DATA)
        table = _follow(metadata, batch)
        length = _field(metadata, table, _BATCH_LENGTH)
        rows += _INT64.unpack_from(metadata, length)[0] if length else 0
        if not 0 <= rows <= MAX_ROWS:
            raise PayloadError(
                "too_many", f"{rows} rows claimed in one message; at most {MAX_ROWS}"
            )
        if _field(metadata, table, _BATCH_COMPRESSION):
            claimed += sum(_decompressed_sizes(metadata, table, message.body))
        if claimed > MAX_DECOMPRESSED_BYTES:
            raise PayloadError(
                "oversize",
                f"buffers claim {claimed} bytes once decompressed; at most "
                f"{MAX_DECOMPRESSED_BYTES}. Send smaller messages.",
            )


def _decompressed_sizes(metadata: bytes, table: int, body: pa.Buffer) -> Iterator[int]:
    vector = _follow(metadata, _field(metadata, table, _BATCH_BUFFERS))
    content = memoryview(body)
    for number in range(_INT32.unpack_from(metadata, vector)[0]):
        offset, length = struct.unpack_from("<qq", metadata, vector + 4 + 16 * number)
        if length < _INT64.size:
            continue
        size = _INT64.unpack_from(content, offset)[0]
        if size < -1:
            raise PayloadError("malformed", "a compressed buffer claims a negative size")
        yield length if size == -1 else size  # -1: this buffer is not compressed


def _root(metadata: bytes) -> int:
    return int(_INT32.unpack_from(metadata, 0)[0])


def _follow(metadata: bytes, position: int) -> int:
    return position + int(_INT32.unpack_from(metadata, position)[0])


def _field(metadata: bytes, table: int, number: int) -> int:
    """Position of a table's field, 0 where it is absent."""
    vtable = table - int(_INT32.unpack_from(metadata, table)[0])
    entry = 4 + 2 * number
    if entry >= _UINT16.unpack_from(metadata, vtable)[0]:
        return 0
    offset = int(_UINT16.unpack_from(metadata, vtable + entry)[0])
    return table + offset if offset else 0
