"""Rebuild: the same bits from raw, a new configuration's history, and mended damage."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import Readings, Results
from pipeline.errors import StateVersionError, StorageError
from pipeline.store.archive import Archive
from pipeline.store.layout import KINDS
from pipeline.store.rebuild import WindowRebuild, differences, rebuild
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

NEW = provenance(START_US + 60 * DAY_US, configuration="beef")


def _sealed(folder: Path, chain: LagChain | None = None) -> Archive:
    archive = Archive(folder, "ford", 24)
    seal_onward(archive, three_days(), chain or LagChain(), provenance(), lambda _: True)
    return archive


def test_rebuild_of_what_was_sealed_is_equal_and_writes_nothing(tmp_path: Path) -> None:
    """N3: bit for bit, also where the open window was sealed in many steps."""
    archive = Archive(tmp_path, "ford", 24)
    stream = three_days()
    for start in range(0, 48, 5):
        rows = np.arange(start, min(start + 5, 48))
        seal_onward(archive, stream.take(rows), LagChain(), provenance(), lambda _: False)
    marks = file_marks(tmp_path)

    report = rebuild(archive, LagChain(), NEW)

    assert report.is_equal
    assert report.largest == {}
    assert [(one.rows, one.stored_rows, one.replaced) for one in report.windows] == [
        (16, 16, False)
    ] * 3
    assert file_marks(tmp_path) == marks


def test_rebuild_after_a_changed_configuration_gives_the_archive_it_would_have_made(
    tmp_path: Path,
) -> None:
    """Gain 2 for 1: each value moves by itself; the old history is kept in superseded."""
    archive, other = _sealed(tmp_path / "a"), _sealed(tmp_path / "b", LagChain(gain=2.0))
    old = [archive.read_results(window) for window in archive.windows()]
    moved = max(np.abs(one.column("value").astype(float)).max() for one in old)

    report = rebuild(archive, LagChain(gain=2.0), NEW)

    assert not report.is_equal
    assert report.largest == {"value": moved}
    assert all(one.replaced for one in report.windows)
    assert contents(archive, KINDS) == contents(other, KINDS)
    for window, results in zip(archive.windows(), old, strict=True):
        assert archive.read_known(window, "results", NEW.now_us - 1)[0] == results.table
        assert archive.metadata(window, "results")["configuration_sha256"] == "beef"
        assert archive.is_final(window)
    assert archive.layout.revisions("raw") == []
    assert rebuild(archive, LagChain(gain=2.0), NEW).is_equal


def test_dry_run_says_what_would_change_and_changes_nothing(tmp_path: Path) -> None:
    """The same comparison as the real one, states carried in memory."""
    archive = _sealed(tmp_path)
    marks = file_marks(tmp_path)
    told: list[WindowRebuild] = []

    dry = rebuild(archive, LagChain(lag_h=8.0), NEW, dry_run=True, progress=told.append)

    assert file_marks(tmp_path) == marks
    assert tuple(told) == dry.windows
    real = rebuild(archive, LagChain(lag_h=8.0), NEW)
    assert real.largest == dry.largest
    assert not any(one.replaced for one in dry.windows)


def test_rebuild_of_one_window_carries_on_as_far_as_its_edge_moves(tmp_path: Path) -> None:
    """
    Only the second is asked for; the third starts from the state that it now leaves.

    The first, although the configuration would change it, is not asked for and stays.
    """
    archive = _sealed(tmp_path)
    first = contents(archive)[f"results {START_US}"]

    report = rebuild(archive, LagChain(lag_h=8.0), NEW, windows=[START_US + DAY_US])

    done = [(one.window_us - START_US) // DAY_US for one in report.windows]
    assert done == [1, 2]
    assert contents(archive)[f"results {START_US}"] == first
    edge = archive.metadata(START_US + DAY_US, "results")["state_out"]
    assert archive.metadata(START_US + 2 * DAY_US, "results")["state_in"] == edge


@pytest.mark.parametrize("kind", ["results", "summary"])
@pytest.mark.parametrize("damage", ["flipped", "cut", "missing"])
def test_rebuild_mends_damaged_results_and_summaries(
    tmp_path: Path, kind: str, damage: str
) -> None:
    """As the message of a damaged file promises; the damaged file is kept for a person."""
    archive = _sealed(tmp_path)
    wanted = contents(archive, KINDS)
    path = archive.layout.path(START_US, "results" if kind == "results" else "summary")
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 1
    path.unlink()
    if damage != "missing":
        path.write_bytes(content if damage == "flipped" else content[:100])

    report = rebuild(archive, LagChain(), NEW)

    assert contents(archive, KINDS) == wanted
    assert [bool(one.note) for one in report.windows] == [True, False, False]
    kept = archive.layout.revisions("results" if kind == "results" else "summary")
    assert len(kept) == (damage != "missing")
    assert rebuild(archive, LagChain(), NEW).is_equal


def test_damaged_raw_stops_the_rebuild_and_names_the_file(tmp_path: Path) -> None:
    """Nothing can make raw again; results that were made from it stay."""
    archive = _sealed(tmp_path)
    path = archive.layout.path(START_US + DAY_US, "raw")
    path.write_bytes(path.read_bytes()[:-40])
    results = archive.read_results(START_US + DAY_US).table

    with pytest.raises(StorageError) as caught:
        rebuild(archive, LagChain(gain=2.0), NEW)

    assert f"{path}: damaged" in str(caught.value)
    assert "from a copy" in str(caught.value)
    assert archive.read_results(START_US + DAY_US).table == results


def test_rebuild_with_another_release_starts_cold_and_says_so(tmp_path: Path) -> None:
    """The remedy that the version error names works when older windows are gone."""
    archive = _sealed(tmp_path)
    for kind in KINDS:
        archive.layout.path(START_US, kind).unlink()
    newer = LagChain()
    newer.version = 2

    with pytest.raises(StateVersionError):
        rebuild(archive, newer, NEW, windows=[START_US + 2 * DAY_US])
    report = rebuild(archive, newer, NEW)

    assert "started cold" in report.windows[0].note
    assert report.windows[1].note == ""
    assert '"version": 2' in archive.metadata(START_US + 2 * DAY_US, "results")["state_in"]


def test_rebuild_where_older_windows_are_gone_starts_from_the_recorded_state(
    tmp_path: Path,
) -> None:
    """Retention must not turn the oldest day that is left into a cold start."""
    archive = _sealed(tmp_path)
    for kind in KINDS:
        archive.layout.path(START_US, kind).unlink()

    report = rebuild(archive, LagChain(), NEW)

    assert report.is_equal
    assert len(report.windows) == 2


def test_rebuild_leaves_results_whose_raw_is_not_complete(tmp_path: Path) -> None:
    """A late reading alone is not the day that retention removed."""
    archive = _sealed(tmp_path)
    archive.layout.path(START_US, "raw").unlink()
    late = one_reading("NS-01", START_US + HOUR_US, 7.0)
    seal_onward(archive, late, LagChain(), provenance(), lambda _: True)
    results = archive.read_results(START_US).table

    report = rebuild(archive, LagChain(gain=2.0), NEW)

    assert "retention removed raw" in report.windows[0].note
    assert archive.read_results(START_US).table == results
    assert [one.replaced for one in report.windows] == [False, True, True]


def test_rebuild_of_a_crashed_first_seal_makes_what_is_missing(tmp_path: Path) -> None:
    """Raw without results is what a kill leaves."""
    archive = _sealed(tmp_path)
    wanted = contents(archive, KINDS)
    for kind in ("results", "summary"):
        archive.layout.path(START_US + 2 * DAY_US, kind).unlink()

    report = rebuild(archive, LagChain(), NEW)

    assert report.windows[2].note == "no results were stored"
    assert contents(archive, KINDS) == wanted


def test_differences_are_of_rows_that_belong_together() -> None:
    """A row more in one does not shift the rest; a value against none is infinite."""

    def results(minutes: list[int], values: list[float], u: float) -> Results:
        time = START_US + np.array(minutes, np.int64) * 60_000_000
        flags = np.ones(len(time), np.int8)
        columns: dict[str, npt.ArrayLike] = {"value": values, "flag": flags}
        columns |= {"tests": 0 * time, "u": [u] * len(time)}
        return Results.from_columns(time, "NS-01", "strain", columns)

    a = results([1, 2, 3], [1.0, 2.0, 3.0], math.nan)
    b = results([0, 1, 2, 3], [9.0, 1.0, 2.5, 2.75], 0.5)

    assert differences(a, b) == {"value": 0.5, "u": math.inf}
    assert differences(a, a) == {}
    assert differences(a, Results.empty()) == {}


def test_rebuild_of_an_empty_archive_is_equal(tmp_path: Path) -> None:
    """Nothing to do, nothing to tell."""
    report = rebuild(Archive(tmp_path, "ford", 24), LagChain(), NEW)

    assert report.is_equal
    assert report.windows == ()


@pytest.mark.slow
def test_rebuild_killed_half_way_is_finished_by_another(tmp_path: Path) -> None:
    """Windows before the kill are new, those after are old; running it again makes all new."""
    archive, other = _sealed(tmp_path / "a"), _sealed(tmp_path / "b", LagChain(lag_h=8.0))

    class Dying(LagChain):
        def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
            """Dies in the second window."""
            if self.runs == 1:
                raise KeyboardInterrupt
            return super().run(readings, state)

    with pytest.raises(KeyboardInterrupt):
        rebuild(archive, Dying(lag_h=8.0), NEW)
    seal_onward(archive, steady("NS-01", 2).take([0]), LagChain(lag_h=8.0), NEW, lambda _: True)
    rebuild(archive, LagChain(lag_h=8.0), NEW)

    assert contents(archive, KINDS) == contents(other, KINDS)
