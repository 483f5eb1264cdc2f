"""
Encoders of the tests: readings to SenML JSON, SenML CBOR and Arrow streams.

Written from RFC 8428 and the Arrow format, without the package's decoders.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import cbor2
import pyarrow as pa

LABEL_NUMBERS = {
    "bver": -1,
    "bn": -2,
    "bt": -3,
    "bu": -4,
    "bv": -5,
    "bs": -6,
    "n": 0,
    "u": 1,
    "v": 2,
    "vs": 3,
    "vb": 4,
    "s": 5,
    "t": 6,
    "ut": 7,
    "vd": 8,
}
Pack = Sequence[Mapping[str, Any]]


def json_pack(pack: Pack) -> bytes:
    """The pack as SenML JSON."""
    return json.dumps(pack, separators=(",", ":")).encode()


def cbor_pack(pack: Pack) -> bytes:
    """The pack as SenML CBOR: labels with a number of RFC 8428, table 4, take it."""
    return cbor2.dumps(
        [{LABEL_NUMBERS.get(label, label): value for label, value in row.items()} for row in pack]
    )


def arrow_stream(
    columns: Mapping[str, pa.Array],
    *,
    sequence: int | None = None,
    batch_rows: int | None = None,
    compression: str | None = None,
) -> bytes:
    """The columns as an Arrow IPC stream, in batches of `batch_rows`."""
    table = pa.table(dict(columns))
    if sequence is not None:
        table = table.replace_schema_metadata({"seq_": str(sequence)})
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table, max_chunksize=batch_rows)
    return bytes(sink.getvalue())


def times(microseconds: Sequence[int], unit: str = "us") -> pa.Array:
    """Whole microseconds since 1970 UTC as an Arrow timestamp column."""
    stamps = pa.array(microseconds, pa.int64()).cast(pa.timestamp("us", tz="UTC"))
    return stamps.cast(pa.timestamp(unit, tz="UTC"), safe=False)


def readings_stream(
    rows: Sequence[tuple[int, str, float | None]], unit: str | None = None, **options: Any
) -> bytes:
    """Rows (µs, channel, value) as an Arrow stream."""
    columns = {
        "time": times([row[0] for row in rows]),
        "channel": pa.array([row[1] for row in rows]).dictionary_encode(),
        "value": pa.array([row[2] for row in rows], pa.float64()),
    }
    if unit is not None:
        columns["unit"] = pa.array([unit] * len(rows))
    return arrow_stream(columns, **options)
