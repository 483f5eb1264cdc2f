"""Retention: whole windows, only what is final, never the state that the chain goes on from."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from pipeline.blocks import concat_readings
from pipeline.store.archive import Archive
from pipeline.store.durable import part_name
from pipeline.store.layout import KINDS
from pipeline.store.retention import KeepDays, Retention, remove_expired
from pipeline.store.seal import seal_onward
from tests.store.archives import (
    DAY_US,
    HOUR_US,
    START_US,
    LagChain,
    contents,
    file_marks,
    one_reading,
    provenance,
    steady,
    three_days,
)

SECOND, THIRD = START_US + DAY_US, START_US + 2 * DAY_US


def _goes_on(archive: Archive, until_us: int) -> int:
    """The window of a time, with readings of another gauge, so that the archive knows of it."""
    day = until_us // DAY_US - START_US // DAY_US
    seal_onward(archive, steady("NS-07", day), LagChain(), provenance(), lambda _: False)
    return START_US + day * DAY_US


def _sealed(folder: Path, first_open: int = THIRD + DAY_US) -> Archive:
    archive = Archive(folder, "ford", 24)
    seal_onward(archive, three_days(), LagChain(), provenance(), lambda w: w < first_open)
    return archive


def test_window_is_removed_when_its_end_is_the_kept_days_ago(tmp_path: Path) -> None:
    """To the microsecond: ten days after the first day's end, and not before."""
    archive = _sealed(tmp_path)
    newest = _goes_on(archive, SECOND + 10 * DAY_US)
    keep = KeepDays(raw=10)

    early = remove_expired(archive, keep, SECOND + 10 * DAY_US - 1)
    removed = remove_expired(archive, keep, SECOND + 10 * DAY_US).removed

    assert early == Retention((), ())
    assert [(one.kind, one.window_us, one.superseded) for one in removed] == [
        ("raw", START_US, False)
    ]
    assert removed[0].size > 500
    assert archive.windows("raw") == [SECOND, THIRD, newest]
    assert archive.windows("results") == archive.windows("summary")
    assert archive.windows("results") == [START_US, SECOND, THIRD, newest]
    assert not removed[0].path.parent.exists()


def test_zero_days_keep_for_good(tmp_path: Path) -> None:
    """The default removes nothing, a thousand years on."""
    archive = _sealed(tmp_path)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)
    marks = file_marks(tmp_path)

    removed = remove_expired(archive, KeepDays(superseded=0), START_US + 365_000 * DAY_US)

    assert removed.removed == ()
    assert file_marks(tmp_path) == marks


def test_raw_that_is_not_final_is_never_removed(tmp_path: Path) -> None:
    """However old: its readings may still be in the spool only, or its results not made."""
    archive = _sealed(tmp_path, first_open=SECOND)

    removed = remove_expired(archive, KeepDays(raw=1), START_US + 1000 * DAY_US).removed

    assert [one.window_us for one in removed] == [START_US]
    assert archive.windows("raw") == [SECOND, THIRD]


def test_newest_results_stay_because_the_chain_goes_on_from_them(tmp_path: Path) -> None:
    """After a long silence the next day starts warm, as if nothing had been removed."""
    archive, whole = _sealed(tmp_path / "a"), _sealed(tmp_path / "b")
    remove_expired(archive, KeepDays(raw=1, results=1, summary=1), START_US + 100 * DAY_US)

    for each in (archive, whole):
        seal_onward(each, steady("NS-01", 90), LagChain(), provenance(), lambda _: False)

    assert archive.windows("results") == [THIRD, START_US + 90 * DAY_US]
    day = f"results {START_US + 90 * DAY_US}"
    assert contents(archive)[day] == contents(whole)[day]


def test_superseded_counts_from_the_revision(tmp_path: Path) -> None:
    """Revised on day 40 and on day 45; 400 days after the first revision only that one goes."""
    archive = _sealed(tmp_path)
    for day in (40, 45):
        late = one_reading("NS-01", START_US + HOUR_US + day, 400.0)
        now = provenance(START_US + day * DAY_US)
        seal_onward(archive, late, LagChain(), now, lambda _: True)
    before = len(archive.layout.revisions("raw"))
    newest = _goes_on(archive, START_US + 440 * DAY_US)

    removed = remove_expired(archive, KeepDays(), START_US + 440 * DAY_US).removed

    assert before == 2
    assert {one.kind for one in removed} == set(KINDS)
    assert all(one.superseded for one in removed)
    revised = {at for kind in KINDS for _, at, _ in archive.layout.revisions(kind)}
    assert revised == {START_US + 45 * DAY_US}
    assert archive.windows("raw") == [START_US, SECOND, THIRD, newest]


def test_part_files_of_a_removed_window_go_with_it_and_foreign_files_stay(tmp_path: Path) -> None:
    """A kill's left-over would stay for good; what is not ours is not touched."""
    archive = _sealed(tmp_path)
    first, second = archive.layout.path(START_US, "raw"), archive.layout.path(SECOND, "raw")
    part_name(first).write_bytes(b"half")
    (second.parent / "_note").write_bytes(b"a person's")

    remove_expired(archive, KeepDays(raw=1), SECOND + 2 * DAY_US)

    assert not first.parent.exists()
    assert os.listdir(second.parent) == ["_note"]


def test_damaged_file_is_not_removed_and_told(tmp_path: Path) -> None:
    """It cannot be known whether it was final; the other windows go all the same."""
    archive = _sealed(tmp_path)
    _goes_on(archive, START_US + 100 * DAY_US)
    path = archive.layout.path(START_US, "raw")
    path.write_bytes(b"PAR1 and nothing of use PAR1")

    outcome = remove_expired(archive, KeepDays(raw=1), START_US + 100 * DAY_US)

    assert [one.window_us for one in outcome.removed] == [SECOND, THIRD]
    assert [str(path) in message for message in outcome.damaged] == [True]
    assert path.exists()


def test_late_reading_into_a_removed_day_keeps_its_results(tmp_path: Path) -> None:
    """Raw kept for 10 days, results for good: a reading 30 days late is stored, nothing is lost."""
    archive = _sealed(tmp_path)
    _goes_on(archive, START_US + 30 * DAY_US)
    remove_expired(archive, KeepDays(raw=10), START_US + 30 * DAY_US)
    results = archive.read_results(START_US).table

    late = concat_readings([steady("NS-09", 0), one_reading("NS-01", START_US + HOUR_US, 1.0)])
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)

    assert archive.read_results(START_US).table == results
    assert len(archive.read_raw(START_US)) == 9


def test_clock_that_is_years_ahead_removes_nothing_more(tmp_path: Path) -> None:
    """Ten days kept of an archive of three: the newest window's end is as far as time may go."""
    archive = _sealed(tmp_path)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(THIRD), lambda _: True)
    marks = file_marks(tmp_path)

    keep = KeepDays(raw=10, results=10, summary=10, superseded=10)
    outcome = remove_expired(archive, keep, START_US + 20 * 365 * DAY_US)

    assert outcome == Retention((), ())
    assert file_marks(tmp_path) == marks


def test_archive_without_a_window_keeps_what_was_superseded(tmp_path: Path) -> None:
    """Nothing says how far time has gone."""
    archive = _sealed(tmp_path)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)
    shutil.rmtree(archive.layout.folder)

    outcome = remove_expired(archive, KeepDays(), START_US + 5000 * DAY_US)

    assert outcome.removed == ()
    assert len(archive.layout.revisions("raw")) == 1
