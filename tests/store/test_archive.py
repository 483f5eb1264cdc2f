"""The archive as folders: names, layouts, and any reader that opens them as they are."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.blocks import concat_readings
from pipeline.errors import StorageError
from pipeline.store.archive import Archive
from pipeline.store.layout import KINDS, Kind, Layout
from pipeline.store.seal import seal_onward
from tests.store.archives import (
    DAY_US,
    HOUR_US,
    START_US,
    LagChain,
    contents,
    one_reading,
    provenance,
    steady,
    three_days,
)

NAME_COLUMN = {"raw": "channel", "results": "point", "summary": "point"}


def _sealed(folder: Path, window_h: int = 24) -> Archive:
    archive = Archive(folder, "ford", window_h)
    seal_onward(archive, three_days(), LagChain(), provenance(), lambda _: True)
    return archive


@pytest.mark.slow
@pytest.mark.parametrize("window_h", [24, 1])
@pytest.mark.parametrize("kind", KINDS)
def test_pandas_opens_the_folder_as_it_is(tmp_path: Path, window_h: int, kind: Kind) -> None:
    """Rows, types and the date of the folder, with part files and foreign `_x` files beside."""
    archive = _sealed(tmp_path, window_h)
    folder = archive.layout.folder / kind
    day = folder / "date=2026-11-25"
    for name in ("_x", "_x.parquet", ".ford_20261125.parquet.part"):
        (day / name).write_bytes(b"")

    table = pd.read_parquet(folder)
    one_day = pd.read_parquet(folder, filters=[("date", "=", "2026-11-25")])

    # 3 days, 2 channels, a reading each 3 h: 48; each its own hour, so 48 rows of summary.
    assert len(table) == 48
    assert len(one_day) == 16
    time = "hour" if kind == "summary" else "time"
    assert str(table[time].dtype) == "datetime64[us, UTC]"
    assert table["date"].astype(str).tolist() == table[time].dt.strftime("%Y-%m-%d").tolist()
    names = table[NAME_COLUMN[kind]].astype(str)
    assert set(names) == ({"NS-01", "NS-02"} if kind == "raw" else {"P-NS-01", "P-NS-02"})


@pytest.mark.slow
def test_pyarrow_dataset_opens_the_folder_as_it_is(tmp_path: Path) -> None:
    """The other usual reader sees the same rows and may filter by date."""
    import pyarrow.dataset as ds

    archive = _sealed(tmp_path)
    for kind in KINDS:
        rows = ds.dataset(archive.layout.folder / kind, partitioning="hive")
        assert rows.to_table().num_rows == 48
        assert rows.to_table(filter=ds.field("date") == "2026-11-26").num_rows == 16


@pytest.mark.slow
def test_folder_with_an_empty_window_opens(tmp_path: Path) -> None:
    """A day whose readings give no results has an empty file, which readers take."""

    class Deaf(LagChain):
        def run(self, readings, state):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
            """Hears nothing."""
            return super().run(readings.take([]), state)

    archive = _sealed(tmp_path)
    seal_onward(archive, steady("NS-01", 3), Deaf(), provenance(), lambda _: True)

    assert len(pd.read_parquet(archive.layout.folder / "results")) == 48
    assert len(pd.read_parquet(archive.layout.folder / "summary")) == 48


def test_files_are_named_from_the_start_of_their_window(tmp_path: Path) -> None:
    """By hand: 2026-11-25 is day 20,782; 07:59 lies in the hour 07."""
    time = START_US + DAY_US + 7 * HOUR_US + 59 * 60_000_000
    day, hour = Layout(tmp_path, "old_ford", 24), Layout(tmp_path, "old_ford", 1)

    of_day = day.path(int(day.window_of(np.array([time]))[0]), "raw")
    of_hour = hour.path(int(hour.window_of(np.array([time]))[0]), "results")

    top = tmp_path / "old_ford" / "archive"
    assert of_day == top / "raw" / "date=2026-11-25" / "old_ford_20261125.parquet"
    assert of_hour == top / "results" / "date=2026-11-25" / "old_ford_20261125T07.parquet"


def test_date_keeps_its_length_of_window_when_the_setting_changes(tmp_path: Path) -> None:
    """Otherwise a repeat would lie in a day's file and in an hour's: not exactly once."""
    days = _sealed(tmp_path)
    hours = Archive(tmp_path, "ford", 1)

    stream = concat_readings([three_days(), steady("NS-01", 3)])
    outcomes = seal_onward(hours, stream, LagChain(), provenance(), lambda _: True)

    assert [one.added for one in outcomes] == [0, 0, 0] + [1] * 8
    assert hours.windows()[:4] == [*days.windows()[:3], START_US + 3 * DAY_US]
    assert len(pd.read_parquet(hours.layout.folder / "raw")) == 48 + 8


def test_neighbours_are_the_nearest_windows_with_a_file(tmp_path: Path) -> None:
    """Also across days without a file, and for a window that has none itself."""
    archive = Archive(tmp_path, "ford", 1)
    times = [START_US + 5 * HOUR_US, START_US + 7 * HOUR_US, START_US + 9 * DAY_US]
    stream = concat_readings(one_reading("NS-01", time, 1.0) for time in times)
    seal_onward(archive, stream, LagChain(), provenance(), lambda _: False)
    layout = archive.layout

    assert [layout.preceding(time, "raw") for time in times] == [None, times[0], times[1]]
    assert [layout.following(time, "raw") for time in times] == [times[1], times[2], None]
    assert layout.preceding(START_US + 6 * HOUR_US, "results") == times[0]
    assert layout.following(START_US + 6 * HOUR_US, "results") == times[1]


@pytest.mark.parametrize("name", ["_ford", ".ford", "a/b", ""])
def test_structure_that_readers_would_skip_is_refused(tmp_path: Path, name: str) -> None:
    """A folder of files that no reader sees would look like an empty archive."""
    with pytest.raises(StorageError) as caught:
        Archive(tmp_path, name, 24)

    assert "Rename it" in str(caught.value)


def test_window_length_other_than_an_hour_or_a_day_is_refused(tmp_path: Path) -> None:
    """The names know only the two."""
    with pytest.raises(StorageError) as caught:
        Archive(tmp_path, "ford", 6)

    assert "window_h is 6; expected 1 or 24" in str(caught.value)


def test_file_system_without_links_keeps_a_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card formatted as FAT: what is superseded is copied, whole."""
    archive = _sealed(tmp_path)
    old = archive.read_results(START_US).table

    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)

    assert archive.read_known(START_US, "results", START_US)[0] == old
    assert len(archive.read_results(START_US)) == len(old) + 1


def test_two_revisions_at_one_time_are_both_kept(tmp_path: Path) -> None:
    """A clock that stands still must not cost what was known."""
    archive = _sealed(tmp_path)
    for number in range(3):
        late = one_reading("NS-01", START_US + HOUR_US + number, 400.0)
        seal_onward(archive, late, LagChain(), provenance(), lambda _: True)

    kept = archive.layout.revisions("raw", START_US)

    assert sorted(len(pd.read_parquet(path)) for _, _, path in kept) == [16, 17, 18]


def test_superseded_lies_beside_the_archive_with_the_time_of_the_revision(tmp_path: Path) -> None:
    """No reader of the archive meets it. By hand: day 20,781 + 40 is 2027-01-03."""
    archive = _sealed(tmp_path)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)

    files = [path.relative_to(tmp_path) for path in (tmp_path / "ford").glob("superseded/raw/*/*")]

    name = "ford_20261124_until_20270103T000000000000Z.parquet"
    assert files == [Path("ford/superseded/raw/date=2026-11-24") / name]
    assert len(pd.read_parquet(archive.layout.folder / "raw")) == 49


@pytest.mark.slow
def test_two_writers_at_once_wait_for_each_other(tmp_path: Path) -> None:
    """A rebuild beside a seal: every reading is there, every file whole."""
    streams = [three_days([f"NS-{number:02}"]) for number in range(4)]

    def write(number: int) -> None:
        archive = Archive(tmp_path, "ford", 24)
        seal_onward(archive, streams[number], LagChain(), provenance(), lambda _: False)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    archive = Archive(tmp_path, "ford", 24)

    assert not any(thread.is_alive() for thread in threads)
    contents(archive, KINDS)
    assert sum(len(archive.read_raw(window)) for window in archive.windows()) == 96
