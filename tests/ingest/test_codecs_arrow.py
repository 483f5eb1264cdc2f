"""
Arrow streams: every type that is taken, and every stream that is refused.

Expected values are the rows that were encoded.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from pipeline.errors import PayloadError
from pipeline.ingest.codecs import ARROW_STREAM, decode
from tests.ingest.encoders import arrow_stream, readings_stream, times

T0 = 1_763_992_800_000_000
ROWS = [(T0 + 10 * step, f"NS-{step % 3}", step * 0.5) for step in range(10)]
NAMES = pa.array(["a", "b"])
VALUES = pa.array([1.0, 2.0])


def stream(**columns: Any) -> bytes:
    """Two rows, with the given columns in place of sound ones; None leaves one out."""
    sound = {"time": times([T0, T0 + 1]), "channel": NAMES, "value": VALUES}
    chosen = {name: column for name, column in (sound | columns).items() if column is not None}
    return arrow_stream(chosen)


@pytest.mark.parametrize("batch_rows", [None, 1, 3])
@pytest.mark.parametrize("compression", [None, "zstd", "lz4"])
def test_rows_come_back_when_cut_and_compressed(
    batch_rows: int | None, compression: str | None
) -> None:
    """The rows that were encoded come back, however the stream is cut and compressed."""
    decoded = decode(
        readings_stream(ROWS, "mV", batch_rows=batch_rows, compression=compression, sequence=5)
    )

    assert decoded.time_us.tolist() == [row[0] for row in ROWS]
    assert [decoded.names[code] for code in decoded.name_code] == [row[1] for row in ROWS]
    assert decoded.value.tolist() == [row[2] for row in ROWS]
    assert {decoded.units[code] for code in decoded.unit_code} == {"mV"}
    assert decoded.sequence == {0: 5}
    assert decoded.secondary == {0}


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_times_are_microseconds_when_sent_in_any_unit(unit: str) -> None:
    """Whole seconds come back the same from every unit of a timestamp."""
    decoded = decode(stream(time=times([T0, T0 + 1_000_000], unit)))

    assert decoded.time_us.tolist() == [T0, T0 + 1_000_000]


def test_nanoseconds_go_to_the_nearest_microsecond_when_they_are_finer() -> None:
    """499 ns fall, 500 ns rise."""
    stamps = pa.array([T0 * 1000 + 499, T0 * 1000 + 500]).cast(pa.timestamp("ns", tz="UTC"))

    assert (decode(stream(time=stamps)).time_us - T0).tolist() == [0, 1]


@pytest.mark.parametrize(
    "kind", [pa.float64(), pa.float32(), pa.int8(), pa.int64(), pa.uint16(), pa.float16()]
)
def test_values_come_back_when_they_are_any_number(kind: pa.DataType) -> None:
    """Small whole numbers survive in every numeric type; null becomes NaN."""
    decoded = decode(stream(value=pa.array([3, None], pa.int8()).cast(kind)))

    assert decoded.value[0] == 3
    assert np.isnan(decoded.value[1])


@pytest.mark.parametrize(
    "channel",
    [
        pa.array(["a", "b"]),
        pa.array(["a", "b"], pa.large_string()),
        pa.array(["a", "b"]).dictionary_encode(),
        pa.DictionaryArray.from_arrays(pa.array([1, 0], pa.int8()), pa.array(["b", "a"])),
    ],
    ids=["text", "large text", "dictionary", "dictionary in another order"],
)
def test_channels_come_back_when_they_are_any_text(channel: pa.Array) -> None:
    """Text and dictionaries of text give the same names."""
    decoded = decode(stream(channel=channel))

    assert [decoded.names[code] for code in decoded.name_code] == ["a", "b"]


REFUSED = {
    "time without zone": ("malformed", {"time": pa.array([T0, T0]).cast(pa.timestamp("us"))}),
    "time as number": ("malformed", {"time": pa.array([T0, T0])}),
    "time of a zone": ("malformed", {"time": pa.array([T0, T0], pa.timestamp("us", "Asia/Tokyo"))}),
    "time null": ("malformed", {"time": pa.array([T0, None], pa.timestamp("us", "UTC"))}),
    "relative time": ("relative_time", {"time": times([T0, 5])}),
    "far time": ("time_range", {"time": pa.array([T0, 2**60], pa.timestamp("us", "UTC"))}),
    "channel null": ("no_name", {"channel": pa.array(["a", None])}),
    "channel of numbers": ("malformed", {"channel": pa.array([1, 2])}),
    "value of text": ("malformed", {"value": pa.array(["1", "2"])}),
    "value null type": ("malformed", {"value": pa.nulls(2)}),
    "no value column": ("malformed", {"value": None}),
    "further column": ("malformed", {"note": pa.array(["x", "y"])}),
    "no rows": (
        "no_records",
        {"time": times([]), "channel": pa.array([], pa.string()), "value": pa.array([], "f8")},
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_stream_is_refused_when_a_column_is_wrong(case: str) -> None:
    """Each wrong column has its reason."""
    reason, columns = REFUSED[case]
    with pytest.raises(PayloadError) as caught:
        decode(stream(**columns))

    assert caught.value.reason == reason


def test_stream_is_refused_when_its_sequence_is_no_number() -> None:
    """The metadata key is read strictly."""
    payload = readings_stream(ROWS, sequence=12345).replace(b"12345", b"12x45")
    with pytest.raises(PayloadError) as caught:
        decode(payload)

    assert caught.value.reason == "sequence"


def test_stream_is_refused_when_anything_follows_it() -> None:
    """A second stream in the message would be lost in silence."""
    with pytest.raises(PayloadError) as caught:
        decode(readings_stream(ROWS) * 2)

    assert str(caught.value) == "malformed: bytes follow after the stream; send one a message"


def test_stream_is_refused_when_cut_inside_a_batch() -> None:
    """Of a stream that lacks its last bytes no row is taken."""
    whole = readings_stream(ROWS)
    for missing in (9, 40, len(whole) // 2):
        with pytest.raises(PayloadError) as caught:
            decode(whole[:-missing], ARROW_STREAM)

        assert caught.value.reason == "malformed"


@pytest.mark.parametrize("index", [77, 2, -1, -2])
def test_stream_is_refused_when_an_index_lies_outside_its_dictionary(index: int) -> None:
    """Such an index would read foreign memory, or name another channel."""
    channel = pa.DictionaryArray.from_arrays(
        pa.array([0, index], pa.int32()), pa.array(["a", "b"]), safe=False
    )
    with pytest.raises(PayloadError) as caught:
        decode(stream(channel=channel))

    assert caught.value.reason == "malformed"


@pytest.mark.parametrize("claim", [2**26 + 1, 2**40, 2**62])
def test_stream_is_refused_when_a_compressed_buffer_claims_too_much(claim: int) -> None:
    """The claimed size is looked at before anything is decompressed; MiBs, not GiBs, are used."""
    rows = [(T0 + step, "a", 0.0) for step in range(1000)]
    payload = bytearray(readings_stream(rows, compression="zstd"))
    size = struct.pack("<q", 8000)  # of 1000 doubles, before they are compressed
    at = payload.rindex(size)
    payload[at : at + 8] = struct.pack("<q", claim)
    with pytest.raises(PayloadError) as caught:
        decode(bytes(payload))

    assert caught.value.reason == "oversize"


def test_stream_is_refused_when_a_null_column_claims_rows_without_bytes() -> None:
    """A column of the null type has no buffers, so any number of rows can be claimed."""
    sink = pa.BufferOutputStream()
    table = pa.table({"value": pa.nulls(1_000_000)})
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    with pytest.raises(PayloadError) as caught:
        decode(sink.getvalue().to_pybytes())

    assert caught.value.reason == "too_many"


def test_columns_are_not_copied_when_the_types_allow_it() -> None:
    """Times and values of one batch are views of the payload's own bytes."""
    payload = readings_stream(ROWS)
    decoded = decode(payload)
    start = pa.py_buffer(payload).address
    addresses = [column.ctypes.data for column in (decoded.time_us, decoded.value)]

    assert all(start <= address < start + len(payload) for address in addresses)
