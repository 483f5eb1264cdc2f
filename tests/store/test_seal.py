"""Sealing: raw merged, results of the whole window, late readings carried on, nothing twice."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.blocks import Readings, concat_readings, concat_results, sort_readings, sort_results
from pipeline.errors import StateVersionError
from pipeline.store.archive import Archive
from pipeline.store.layout import Kind
from pipeline.store.seal import seal_onward, seal_window
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


def _always(_: int) -> bool:
    return True


def _never(_: int) -> bool:
    return False


def _archive(folder: Path, window_h: int = 24) -> Archive:
    return Archive(folder, "ford", window_h)


@pytest.mark.parametrize("window_h", [1, 24])
@pytest.mark.slow
def test_seal_of_windows_equals_the_chain_on_the_whole_stream(
    tmp_path: Path, window_h: int
) -> None:
    """Cutting at window edges changes no reading and no result, bit for bit."""
    readings = three_days()
    archive = _archive(tmp_path, window_h)

    seal_onward(archive, readings, LagChain(), provenance(), _always)

    whole, _ = LagChain().run(sort_readings(readings), None)
    raw = concat_readings(archive.read_raw(window) for window in archive.windows())
    results = concat_results(archive.read_results(window) for window in archive.windows("results"))
    assert sort_readings(raw).table.to_pylist() == sort_readings(readings).table.to_pylist()
    assert sort_results(results).table.to_pylist() == sort_results(whole).table.to_pylist()
    assert len(archive.windows()) == 3 * (8 if window_h == 1 else 1)


@pytest.mark.parametrize("final_of", [_always, _never])
def test_seal_of_the_same_again_writes_nothing(
    tmp_path: Path, final_of: Callable[[int], bool]
) -> None:
    """Every file keeps its inode and its time; the chain is not run; nothing is added."""
    archive, chain = _archive(tmp_path), LagChain()
    first = seal_onward(archive, three_days(), chain, provenance(), final_of)
    marks, runs = file_marks(tmp_path), chain.runs

    again = seal_onward(archive, three_days(), chain, provenance(START_US), final_of)

    assert file_marks(tmp_path) == marks
    assert chain.runs == runs
    assert [(one.added, one.changed, one.edge_moved_um_m) for one in again] == [(0, False, 0.0)] * 3
    assert [one.results.table for one in again] == [one.results.table for one in first]
    assert [one.added for one in first] == [16, 16, 16]


def test_seal_says_in_the_metadata_where_it_came_from(tmp_path: Path) -> None:
    """Versions, configuration, calibrations, edge states, status and counts stand in the files."""
    archive, chain = _archive(tmp_path), LagChain()
    seal_onward(archive, three_days(), chain, provenance(), _always)

    first, second = (archive.metadata(START_US + n * DAY_US, "results") for n in (0, 1))

    assert first["software"] == "0.1.0"
    assert first["configuration_sha256"] == "c0ffee"
    assert first["calibrations"] == '["B12", "B13"]'
    assert first["units"] == '{"P-NS-01": "µm/m"}'
    assert (first["status"], first["rows"], first["schema_version"]) == ("final", "16", "1")
    assert first["sealed"] == "2027-01-03T00:00:00+00:00"
    assert "state_in" not in first
    assert second["state_in"] == first["state_out"]
    assert second["state_in_sha256"] == first["state_out_sha256"]
    assert first["raw_sha256"] == archive.metadata(START_US, "raw")["content_sha256"]


def test_seal_of_an_open_window_is_provisional_until_it_is_final_and_then_stays_so(
    tmp_path: Path,
) -> None:
    """A provisional window is replaced without a trace; once final it stays final."""
    archive, chain = _archive(tmp_path), LagChain()
    early, late = steady("NS-01", 0).take([0, 1, 2]), steady("NS-01", 0).take([3, 4])

    seal_window(archive, START_US, early, chain, provenance(), final=False)
    assert not archive.is_final(START_US)
    promoted = seal_window(archive, START_US, Readings.empty(), chain, provenance(), final=True)
    assert archive.is_final(START_US)
    assert (promoted.final, promoted.changed, promoted.added) == (True, False, 0)
    assert not archive.layout.superseded_folder.exists()
    again = seal_window(archive, START_US, late, chain, provenance(), final=False)

    assert again.final
    assert archive.is_final(START_US)
    assert {
        archive.metadata(START_US, kind)["status"] for kind in ("raw", "results", "summary")
    } == {"final"}


def test_late_reading_into_a_final_window_keeps_the_old_and_carries_on_only_while_the_edge_moves(
    tmp_path: Path,
) -> None:
    """
    Superseded holds what was known, the archive what is; later windows follow while it matters.

    By hand: 100 µm/m too much at 23:59 is 100·(1 - e^(-t/4h)) in the state at the day's end; each
    day later it is e^-6 = 1/403 of that. The reading moves the edge by some µm/m (sealed again),
    the next day's edge by some thousandths (again), then by some 1e-5: the rest stays.
    """
    archive, chain = _archive(tmp_path), LagChain()
    days = steady("NS-01", 0, 5)
    seal_onward(archive, days, chain, provenance(), _always)
    before = contents(archive)
    old = archive.read_results(START_US)
    marks = file_marks(archive.layout.folder)
    late = one_reading("NS-01", START_US + 22 * HOUR_US, 400.0)

    revised = START_US + 50 * DAY_US
    outcomes = seal_onward(archive, late, chain, provenance(revised), _always)

    assert [(one.window_us - START_US) // DAY_US for one in outcomes] == [0, 1, 2]
    assert outcomes[0].edge_moved_um_m > 1.0
    assert 0.001 < outcomes[1].edge_moved_um_m < 1.0
    assert outcomes[2].edge_moved_um_m < 0.001
    kept = {
        (window, path.parent.parent.name)
        for kind in ("raw", "results")
        for window, at, path in archive.layout.revisions(kind)
        if at == revised
    }
    assert kept == {(START_US, "raw")} | {(START_US + n * DAY_US, "results") for n in (0, 1, 2)}
    assert archive.read_known(START_US, "results", revised - 1)[0] == old.table
    assert len(archive.read_results(START_US)) == len(old) + 1
    assert 400.0 in archive.read_raw(START_US).column("value")
    untouched = {name: mark for name, mark in marks.items() if "date=2026-11-27" in name}
    assert len(untouched) == 3
    assert file_marks(archive.layout.folder).items() >= untouched.items()
    assert {key: one for key, one in contents(archive).items() if key in before} != before


class _SumChain(LagChain):
    """Adds up a ten-thousandth of every reading: a late 4 moves every later edge by 0.0004."""

    def _followed(
        self, name: str, times: Any, values: Any, memory: dict[str, list[float]]
    ) -> list[float]:
        del times
        before = memory.get(name, [0, 0.0])[1]
        level = (before + 1e-4 * np.cumsum(values)).tolist()
        memory[name] = [0, level[-1]]
        return list(level)


def test_small_moves_of_an_edge_do_not_add_up_unseen(tmp_path: Path) -> None:
    """Moves of 0.0004 stay twice, 0.0008; with the third, 0.0012, the next window follows."""
    archive, chain = _archive(tmp_path), _SumChain()
    seal_onward(archive, steady("NS-01", 0, 2), chain, provenance(), _always)

    sealed = []
    for number in range(6):
        late = one_reading("NS-01", START_US + 17 * HOUR_US + number, 4.0)
        sealed.append(len(seal_onward(archive, late, chain, provenance(), _always)))

    assert sealed == [1, 1, 2, 1, 1, 2]


def test_late_window_before_the_first_gives_the_next_one_its_state(tmp_path: Path) -> None:
    """A node that comes back with an older day makes the day after start warm."""
    archive, chain = _archive(tmp_path), LagChain()
    seal_onward(archive, steady("NS-01", 1), chain, provenance(), _always)

    outcomes = seal_onward(archive, steady("NS-01", 0), chain, provenance(), _always)

    assert [one.window_us for one in outcomes] == [START_US, START_US + DAY_US]
    assert math.isinf(outcomes[0].edge_moved_um_m)
    other = _archive(tmp_path / "in order")
    seal_onward(other, steady("NS-01", 0, 2), chain, provenance(), _always)
    assert contents(archive) == contents(other)


def test_repeat_into_a_final_window_under_a_new_configuration_changes_nothing(
    tmp_path: Path,
) -> None:
    """Only `rebuild` applies a new configuration to what is final; an open window takes it."""
    archive = _archive(tmp_path)
    seal_onward(archive, three_days(), LagChain(), provenance(), lambda w: w < START_US + DAY_US)
    marks = file_marks(archive.layout.folder)

    new = provenance(configuration="beef")
    seal_onward(archive, three_days(), LagChain(gain=2.0), new, lambda w: w < START_US + DAY_US)

    after = file_marks(archive.layout.folder)
    changed = {name for name in after if after[name] != marks[name]}
    assert {name.split("/")[0] for name in changed} == {"results", "summary"}
    assert all("date=2026-11-24" not in name for name in changed)
    assert archive.metadata(START_US + DAY_US, "results")["configuration_sha256"] == "beef"


def test_late_reading_where_raw_was_removed_is_stored_and_leaves_the_results(
    tmp_path: Path,
) -> None:
    """Results that cannot be made again are not replaced by those of a fragment."""
    archive, chain = _archive(tmp_path), LagChain()
    seal_onward(archive, three_days(), chain, provenance(), _always)
    results = archive.read_results(START_US)
    archive.layout.path(START_US, "raw").unlink()

    late = one_reading("NS-01", START_US + HOUR_US, 7.0)
    outcomes = seal_onward(archive, late, chain, provenance(), _always)
    outcomes += seal_onward(archive, late, chain, provenance(), _always)

    assert archive.read_results(START_US).table == results.table
    assert archive.read_raw(START_US).column("value").tolist() == [7.0]
    assert archive.metadata(START_US, "raw")["complete"] == "false"
    assert [one.added for one in outcomes] == [1, 0]


def test_state_of_another_release_stops_after_raw_is_stored(tmp_path: Path) -> None:
    """The readings are safe and the message names the remedy."""
    archive, newer = _archive(tmp_path), LagChain()
    seal_onward(archive, steady("NS-01", 0), LagChain(), provenance(), _always)
    newer.version = 2

    with pytest.raises(StateVersionError) as caught:
        seal_onward(archive, steady("NS-01", 1), newer, provenance(), _always)

    assert "Run `spanwarden rebuild`" in str(caught.value)
    assert len(archive.read_raw(START_US + DAY_US)) == 8


def test_seal_refuses_readings_of_another_window(tmp_path: Path) -> None:
    """A caller's mistake must not put a reading into a file where no query looks for it."""
    archive = _archive(tmp_path)

    with pytest.raises(ValueError) as caught:
        seal_window(archive, START_US, steady("NS-01", 1), LagChain(), provenance(), final=False)

    assert "outside the window" in str(caught.value)
    assert archive.windows() == []


def test_seal_of_nothing_makes_no_file(tmp_path: Path) -> None:
    """No readings, no window."""
    archive = _archive(tmp_path)

    outcome = seal_window(archive, START_US, Readings.empty(), LagChain(), provenance(), final=True)

    assert (outcome.rows, outcome.changed) == (0, False)
    kinds: tuple[Kind, ...] = ("raw", "results", "summary")
    assert [archive.windows(kind) for kind in kinds] == [[], [], []]


def test_window_whose_readings_give_no_results_still_carries_the_state(tmp_path: Path) -> None:
    """A day with an unknown channel only has raw, empty results and the state on both sides."""

    class Deaf(LagChain):
        def run(self, readings: Readings, state: str | None):  # type: ignore[no-untyped-def]  # noqa: ANN202
            """Knows one channel only."""
            codes, names = readings.channel_codes()
            known = np.array([names[code] == "NS-01" for code in codes], bool)
            return super().run(readings.take(known), state)

    archive = _archive(tmp_path)
    stream = [steady("NS-01", 0), steady("??", 1), steady("NS-01", 2)]
    seal_onward(archive, concat_readings(stream), Deaf(), provenance(), _always)

    edges = [archive.metadata(START_US + n * DAY_US, "results") for n in range(3)]
    assert [one["rows"] for one in edges] == ["8", "0", "8"]
    assert edges[2]["state_in"] == edges[0]["state_out"]
