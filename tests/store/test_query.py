"""Reading a span: only the files that the dates name, only the rows asked for, all checked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import StorageError
from pipeline.store.archive import Archive
from pipeline.store.layout import Kind
from pipeline.store.query import read_span
from pipeline.store.seal import seal_onward
from tests.store.archives import DAY_US, HOUR_US, START_US, LagChain, provenance, three_days


def _sealed(folder: Path, window_h: int = 24) -> Archive:
    archive = Archive(folder, "ford", window_h)
    seal_onward(archive, three_days(), LagChain(), provenance(), lambda _: True)
    return archive


@pytest.mark.parametrize("window_h", [24, 1])
@pytest.mark.slow
def test_span_has_the_rows_from_start_to_before_end(tmp_path: Path, window_h: int) -> None:
    """From 21:00 to 06:00 next day, exclusive: 21:00, 00:00 and 03:00, in one table."""
    archive = _sealed(tmp_path, window_h)
    start, end = START_US + 21 * HOUR_US, START_US + 30 * HOUR_US

    raw = read_span(archive, "raw", ["NS-02"], start, end, ["time", "value"])
    results = read_span(archive, "results", ["P-NS-02"], start, end, ["value", "time"])
    both = read_span(archive, "raw", None, start, end)

    stream = three_days(["NS-02"])
    wanted = stream.table.column("value").to_pylist()[7:10]
    assert raw.column("value").to_pylist() == wanted
    assert results.column_names == ["value", "time"]
    assert [time.hour for time in results.column("time").to_pylist()] == [21, 0, 3]
    assert both.num_rows == 6


def test_hours_of_the_summary_are_chosen_by_their_start(tmp_path: Path) -> None:
    """The hour that begins at the end of the span is not in it."""
    archive = _sealed(tmp_path)

    rows = read_span(
        archive, "summary", ["P-NS-01"], START_US, START_US + 3 * HOUR_US, ["hour", "max"]
    )

    assert [hour.hour for hour in rows.column("hour").to_pylist()] == [0]


def test_files_outside_the_span_are_not_opened(tmp_path: Path) -> None:
    """Damage in another day's file does not matter to a query that does not need it."""
    archive = _sealed(tmp_path)
    archive.layout.path(START_US, "results").write_bytes(b"no Parquet at all")

    rows = read_span(archive, "results", None, START_US + DAY_US, START_US + 2 * DAY_US)

    assert rows.num_rows == 16
    with pytest.raises(StorageError) as caught:
        read_span(archive, "results", None, START_US, START_US + 2 * DAY_US)
    assert "ford_20261124.parquet: damaged" in str(caught.value)
    assert "`spanwarden rebuild`" in str(caught.value)


def test_flipped_bit_in_a_column_that_is_read_is_found(tmp_path: Path) -> None:
    """No wrong number comes out of a query."""
    import pyarrow.parquet as pq

    archive = _sealed(tmp_path)
    path = archive.layout.path(START_US, "results")
    group = pq.read_metadata(path).row_group(0)
    column = next(
        one for one in map(group.column, range(group.num_columns)) if one.path_in_schema == "value"
    )
    damaged = bytearray(path.read_bytes())
    damaged[column.data_page_offset + column.total_compressed_size - 9] ^= 1
    path.write_bytes(damaged)

    with pytest.raises(StorageError) as caught:
        read_span(archive, "results", ["P-NS-01"], START_US, START_US + DAY_US, ["time", "value"])

    assert str(path) in str(caught.value)


@pytest.mark.parametrize("kind", ["raw", "results", "summary"])
def test_span_without_rows_is_an_empty_table_with_its_schema(tmp_path: Path, kind: Kind) -> None:
    """Unknown names, a span before the archive, no archive at all: no rows, no error."""
    archive = _sealed(tmp_path / "some")
    none = Archive(tmp_path / "none", "ford", 24)

    found = [
        read_span(archive, kind, ["??"], START_US, START_US + 3 * DAY_US),
        read_span(archive, kind, [], START_US, START_US + 3 * DAY_US),
        read_span(archive, kind, None, 0, START_US),
        read_span(none, kind, None, 0, 2 * START_US),
    ]

    assert [table.num_rows for table in found] == [0, 0, 0, 0]
    assert all(table.schema == found[0].schema for table in found)
    assert found[0].schema.field(0).name in ("time", "hour")


def test_unknown_columns_and_a_bare_name_are_refused(tmp_path: Path) -> None:
    """A caller's mistake must not look like an empty archive."""
    archive = Archive(tmp_path, "ford", 24)

    with pytest.raises(ValueError) as no_column:
        read_span(archive, "raw", None, 0, 1, ["strain"])
    with pytest.raises(ValueError) as bare:
        read_span(archive, "raw", "NS-01", 0, 1)

    assert "raw has no column strain; it has" in str(no_column.value)
    assert "expected a collection of names" in str(bare.value)


def test_window_removed_meanwhile_is_not_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Retention may take a file between the listing and the reading."""
    archive = _sealed(tmp_path)
    listed = {day: archive.layout.windows_on(day, "raw") for day in archive.layout.days("raw")}
    monkeypatch.setattr(archive.layout, "windows_on", lambda day, kind: listed[day])
    archive.layout.path(START_US, "raw").unlink()

    rows = read_span(archive, "raw", None, START_US, START_US + 3 * DAY_US)

    assert rows.num_rows == 32
    assert np.all(np.diff(rows.column("time").to_numpy().astype(np.int64)[:8]) > 0)
