"""Parquet: read back before the rename, every damage found, null and never NaN."""

from __future__ import annotations

import errno
import os
import random
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.blocks import READINGS_SCHEMA, RESULTS_SCHEMA, TIME, Readings, Results
from pipeline.errors import SealError, StorageError
from pipeline.store.content import column_sha256, storable
from pipeline.store.parquet import read_metadata, read_parquet, write_parquet
from tests.store.archives import steady, three_days
from tests.store.faults import FaultyDisk


def _write(path: Path, readings: Readings, **options: Any) -> pa.Table:
    order = ("channel", "time")
    return write_parquet(
        path, readings.table, READINGS_SCHEMA, {"status": "final"}, order=order, **options
    )


def test_file_reads_back_with_schema_units_and_metadata(tmp_path: Path) -> None:
    """What is read is what was written, the words included."""
    path = tmp_path / "new" / "folder" / "a.parquet"
    readings = three_days()

    _write(path, readings)
    table, metadata = read_parquet(path, READINGS_SCHEMA)

    assert table.to_pylist() == readings.table.to_pylist()
    assert table.schema.equals(READINGS_SCHEMA, check_metadata=True)
    assert metadata["status"] == "final"
    assert metadata["block"] == "readings"
    assert metadata["rows"] == str(len(readings)) == "48"
    assert read_metadata(path) == metadata
    assert os.listdir(path.parent) == ["a.parquet"]


def test_file_is_encoded_as_measured_best(tmp_path: Path) -> None:
    """zstd, split floats, delta times, a dictionary for names and never for floats, checksums."""
    path = tmp_path / "a.parquet"

    _write(path, three_days())

    columns = pq.read_metadata(path).row_group(0)
    found = {}
    for index in range(columns.num_columns):
        column = columns.column(index)
        assert column.compression == "ZSTD"
        found[column.path_in_schema] = set(column.encodings) - {"RLE", "PLAIN"}
    assert found == {
        "time": {"DELTA_BINARY_PACKED"},
        "channel": {"RLE_DICTIONARY"},
        "value": {"BYTE_STREAM_SPLIT"},
        "received": {"DELTA_BINARY_PACKED"},
        "sequence": {"DELTA_BINARY_PACKED"},
    }


@pytest.mark.slow
def test_any_flipped_bit_is_found_or_without_effect(tmp_path: Path) -> None:
    """
    Page checksums leave page headers and the footer open; the hashes of the columns do not.

    Without the hashes 427 of these flips gave other rows or names and no error.
    """
    path = tmp_path / "a.parquet"
    written = _write(path, steady("NS-01", 0))
    whole = path.read_bytes()
    metadata = read_metadata(path)
    chance = random.Random(20261125)
    messages = []
    for bit in chance.sample(range(len(whole) * 8), 3000):
        damaged = bytearray(whole)
        damaged[bit // 8] ^= 1 << bit % 8
        path.write_bytes(damaged)
        try:
            assert read_parquet(path, READINGS_SCHEMA) == (written, metadata)
        except StorageError as error:
            messages.append(str(error))

    assert len(messages) > 1500
    assert all(str(path) in message for message in messages)


def test_damage_names_the_file_and_the_remedy(tmp_path: Path) -> None:
    """A person can act on the message."""
    path = tmp_path / "a.parquet"
    _write(path, three_days())
    damaged = bytearray(path.read_bytes())
    column = pq.read_metadata(path).row_group(0).column(2)
    damaged[column.data_page_offset + column.total_compressed_size - 2] ^= 4
    path.write_bytes(damaged)

    with pytest.raises(StorageError) as caught:
        read_parquet(path, READINGS_SCHEMA)

    assert str(path) in str(caught.value)
    assert "run `spanwarden rebuild`" in str(caught.value)
    assert "from a copy" in str(caught.value)


def test_missing_file_is_said_to_be_missing(tmp_path: Path) -> None:
    """Not damaged: not there."""
    with pytest.raises(StorageError) as caught:
        read_metadata(tmp_path / "a.parquet")

    assert "the file is missing. Seal or rebuild" in str(caught.value)


def test_nan_is_stored_as_null(tmp_path: Path) -> None:
    """A filter on a column with NaN loses rows without a word, so no file has one."""
    time = np.arange(3, dtype=np.int64)
    rows = Results.from_columns(
        time, "NS-01", "strain", {"value": [1.0, 2.0, 3.0], "flag": [1, 1, 1], "tests": 0 * time}
    ).table
    index = rows.schema.get_field_index("value")
    with_nan = rows.set_column(index, RESULTS_SCHEMA.field("value"), pa.array([1.0, np.nan, None]))
    path = tmp_path / "a.parquet"

    stored = write_parquet(path, with_nan, RESULTS_SCHEMA, {}, order=("point", "time"))

    assert stored.column("value").to_pylist() == [1.0, None, None]
    assert pq.read_table(path, partitioning=None).column("value").null_count == 2


def test_nan_where_a_value_must_be_is_refused(tmp_path: Path) -> None:
    """A reading without a value is a fault upstream: no file, no null in its place."""
    readings = steady("NS-01", 0)
    value = pa.array([np.nan] * len(readings))
    broken = Readings(readings.table.set_column(2, READINGS_SCHEMA.field("value"), value))

    with pytest.raises(SealError) as caught:
        _write(tmp_path / "a.parquet", broken)

    assert 'column "value" has 8 empty values; expected none' in str(caught.value)
    assert os.listdir(tmp_path) == []


def test_short_file_is_not_renamed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A writer that loses a row is caught by the read-back; the old file stands."""
    path = tmp_path / "a.parquet"
    _write(path, steady("NS-01", 0))
    old, real = path.read_bytes(), pq.write_table
    monkeypatch.setattr(pq, "write_table", lambda rows, *a, **k: real(rows.slice(1), *a, **k))

    with pytest.raises(SealError) as caught:
        _write(path, steady("NS-01", 1))

    assert path.read_bytes() == old
    assert f"{path}: what was written beside it does not read back equal" in str(caught.value)
    assert "run `spanwarden doctor`" in str(caught.value)


def test_wrong_metadata_are_not_renamed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The words are compared as well as the rows."""
    real = pq.write_table
    monkeypatch.setattr(
        pq, "write_table", lambda rows, *a, **k: real(rows.replace_schema_metadata({}), *a, **k)
    )

    with pytest.raises(SealError):
        _write(tmp_path / "a.parquet", steady("NS-01", 0))

    assert not (tmp_path / "a.parquet").exists()


def test_full_disk_is_said_with_its_remedy_and_leaves_no_half_file(tmp_path: Path) -> None:
    """ENOSPC at the sync: the old file stands and the half file does not keep the disk full."""
    path = tmp_path / "a.parquet"
    _write(path, steady("NS-01", 0))
    old = path.read_bytes()

    class FullDisk(FaultyDisk):
        def sync(self, descriptor: int) -> None:
            """No room."""
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(StorageError) as caught:
        _write(path, steady("NS-01", 1), disk=FullDisk())

    assert "The disk is full: make room" in str(caught.value)
    assert path.read_bytes() == old
    assert os.listdir(tmp_path) == ["a.parquet"]


def test_file_of_a_later_release_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Columns that this release does not know must not be dropped without a word."""
    path = tmp_path / "a.parquet"
    newer = READINGS_SCHEMA.with_metadata({"block": "readings", "schema_version": "2"})
    monkeypatch.setattr("pipeline.store.parquet.SCHEMA_VERSION", 2)
    metadata = {"software": "0.9.0"}
    write_parquet(path, steady("NS-01", 0).table, newer, metadata, order=("channel", "time"))
    monkeypatch.undo()

    with pytest.raises(StorageError) as caught:
        read_parquet(path, READINGS_SCHEMA)

    assert "Use the release that wrote it (0.9.0)" in str(caught.value)


def test_hash_of_a_column_sees_every_value_and_no_encoding() -> None:
    """Any changed value changes it; chunks and the order of a dictionary do not."""
    names = pa.DictionaryArray.from_arrays(pa.array([1, 0], pa.int32()), ["b", "a"])
    other = pa.DictionaryArray.from_arrays(pa.array([0, 2], pa.int32()), ["a", "x", "b"])
    schema = pa.schema([("name", names.type), ("time", TIME), ("value", pa.float64())])

    def hashes(name: pa.Array, time: list[int], value: list[float | None]) -> dict[str, str]:
        chunks = pa.chunked_array([name.slice(0, 1), name.slice(1)])
        columns = [chunks, pa.array(time, TIME), pa.array(value, pa.float64())]
        return column_sha256(storable(pa.table(columns, schema=schema), schema))

    base = hashes(names, [1, 2], [0.0, None])

    assert hashes(other, [1, 2], [0.0, None]) == base
    assert hashes(names, [1, 2], [0.0, 0.0])["value"] != base["value"]
    assert hashes(names, [1, 2], [None, 0.0])["value"] != base["value"]
    assert hashes(names, [1, 3], [0.0, None])["time"] != base["time"]
    assert hashes(names.take(pa.array([1, 0])), [1, 2], [0.0, None])["name"] != base["name"]
