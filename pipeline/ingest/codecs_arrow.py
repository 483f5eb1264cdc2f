"""
Arrow IPC streams: columns `time`, `channel`, `value` and, where wanted, `unit`.

Values and codes are taken without a copy where the types allow it.

Ref: Arrow columnar format, "IPC Streaming Format".
"""

from __future__ import annotations

import struct

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.blocks import Floats, Ints
from pipeline.errors import PayloadError
from pipeline.ingest.arrow_bounds import check_bounds
from pipeline.ingest.columns import LATEST_S, LIBRARY_FAULTS, Chunk, Codes, Gathering, Names

COLUMNS = ("time", "channel", "value", "unit")
_REQUIRED = COLUMNS[:3]
_UTC = ("UTC", "Etc/UTC", "+00:00")
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}


def decode_arrow(payload: bytes, into: Gathering, message: int) -> None:
    """
    Add the rows of an Arrow stream to `into`; a null value becomes NaN.

    The sequence is the schema's metadata key `seq_` as decimal digits. Units of RFC 8798 are
    allowed, since a stream has no SenML version.

    Raises:
        PayloadError: the stream is refused whole; see `pipeline.ingest.codecs` for the reasons.
    """
    try:
        buffer = pa.py_buffer(payload)
        check_bounds(buffer)
        batches, schema = _read(buffer)
        chunks = [_chunk(batch, into, message) for batch in batches if batch.num_rows]
    except (pa.ArrowException, struct.error, *LIBRARY_FAULTS) as error:
        raise PayloadError("malformed", f"not a usable Arrow stream: {error}") from error
    if not chunks:
        raise PayloadError("no_records", "the stream has no rows; leave such a message out")
    sequence = _sequence(schema)
    for chunk in chunks:
        into.add_chunk(chunk)
    into.secondary.add(message)
    if sequence is not None:
        into.sequence[message] = sequence


def _read(buffer: pa.Buffer) -> tuple[list[pa.RecordBatch], pa.Schema]:
    source = pa.BufferReader(buffer)
    with pa.ipc.open_stream(source) as reader:
        _check_schema(reader.schema)
        batches = list(reader)
        if source.tell() != buffer.size:
            raise PayloadError("malformed", "bytes follow after the stream; send one a message")
        return batches, reader.schema


def _check_schema(schema: pa.Schema) -> None:
    names = schema.names
    strange = sorted(set(names) - set(COLUMNS))
    missing = [name for name in _REQUIRED if name not in names]
    if strange or missing or len(set(names)) != len(names):
        raise PayloadError(
            "malformed",
            f"columns {', '.join(names)[:200]}; expected time, channel, value and at most unit, "
            "each once",
        )
    time = schema.field("time").type
    if not (pa.types.is_timestamp(time) and time.tz in _UTC):
        raise PayloadError(
            "malformed", f"column time is {time}; it must be a timestamp with the zone UTC"
        )
    value = schema.field("value").type
    if not (pa.types.is_floating(value) or pa.types.is_integer(value)):
        raise PayloadError("malformed", f"column value is {value}; it must be a number")
    for name in ("channel", "unit"):
        if name in names and not _is_text(schema.field(name).type):
            raise PayloadError("malformed", f"column {name} is not text or a dictionary of text")


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _chunk(batch: pa.RecordBatch, into: Gathering, message: int) -> Chunk:
    batch.validate(full=True)  # else an index beyond its dictionary is read from foreign memory
    rows = batch.num_rows
    time_us = _microseconds(batch.column("time"))
    value = _values(batch.column("value"))
    name_code = _codes(batch.column("channel"), into.names)
    if "unit" in batch.schema.names:
        unit_code = _codes(batch.column("unit"), into.units)
    else:
        unit_code = np.full(rows, into.units[""], np.int32)
    return Chunk(time_us, name_code, value, unit_code, np.full(rows, message, np.int64))


def _microseconds(column: pa.Array) -> Ints:
    """Whole microseconds; nanoseconds go to the nearest one, halves up."""
    if column.null_count:
        raise PayloadError("malformed", "a time is null")
    ticks: Ints = np.asarray(column.cast(pa.int64()))
    per_second = _PER_SECOND[column.type.unit]
    limit = min(int(LATEST_S) * per_second, np.iinfo(np.int64).max - 500)
    if len(ticks) and (ticks.min() < -limit or ticks.max() > limit):
        raise PayloadError("time_range", "a time lies beyond the year 9999")
    if per_second > 1_000_000:
        return (ticks + 500) // 1000
    return ticks if per_second == 1_000_000 else ticks * (1_000_000 // per_second)


def _values(column: pa.Array) -> Floats:
    if column.null_count or not pa.types.is_float64(column.type):
        column = pc.cast(column, pa.float64(), safe=False)
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _codes(column: pa.Array, names: Names) -> Codes:
    """Codes of a text column in `names`; null is the empty text."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    texts = [text or "" for text in column.dictionary.to_pylist()]
    table = np.array([names[text] for text in texts] + [names[""]], np.int32)
    indices = column.indices
    if indices.null_count:
        indices = indices.cast(pa.int64()).fill_null(len(texts))
    codes: Codes = table[np.asarray(indices)]
    return codes


def _sequence(schema: pa.Schema) -> int | None:
    text = (schema.metadata or {}).get(b"seq_")
    if text is None:
        return None
    if not (text.isdigit() and len(text) <= 19 and int(text) < 2**63):
        raise PayloadError("sequence", 'metadata "seq_" must be a whole number from 0 to 2**63 - 1')
    return int(text)
