"""A kill at each step of a seal: never a half file, nothing lost, the next seal mends it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from pipeline.blocks import Readings, concat_readings
from pipeline.store.archive import Archive
from pipeline.store.layout import KINDS, Kind
from pipeline.store.seal import seal_onward
from tests.store.archives import (
    DAY_US,
    HOUR_US,
    START_US,
    LagChain,
    contents,
    killed_at,
    one_reading,
    provenance,
    three_days,
)
from tests.store.faults import Killed

Sealing = Callable[[Archive], None]


def _seal(archive: Archive, readings: Readings, day: int) -> None:
    now = START_US + day * DAY_US
    last = START_US + 2 * DAY_US
    seal_onward(archive, readings, LagChain(), provenance(now), lambda window: window < last)


def _first(archive: Archive) -> None:
    _seal(archive, three_days(["NS-01"]), 4)


def _late(archive: Archive) -> None:
    # Moves the edges of the first two days by more than counts: three windows are written.
    _seal(archive, one_reading("NS-01", START_US + 22 * HOUR_US, 400.0), 5)


def _steps_of(folder: Path, before: list[Sealing], sealing: Sealing) -> list[str]:
    folder.mkdir(exist_ok=True)
    archive = Archive(folder, "ford", 24)
    for each in before:
        each(archive)
    with killed_at(None) as steps:
        sealing(archive)
    return steps.names


def _check_readable(archive: Archive) -> None:
    """Every file under a readable name is whole, by our reader and by anybody's."""
    contents(archive, KINDS)
    for kind in KINDS:
        folder = archive.layout.folder / kind
        if archive.windows(kind):
            pd.read_parquet(folder)


def _finals(archive: Archive) -> dict[tuple[Kind, int], pa.Table]:
    windows = [window for window in archive.windows() if archive.is_final(window)]
    kinds: tuple[Kind, ...] = ("raw", "results")
    return {(kind, one): archive.read(one, kind)[0] for kind in kinds for one in windows}


def _as_known_on_day_4(
    archive: Archive, keys: Iterable[tuple[Kind, int]]
) -> dict[tuple[Kind, int], pa.Table]:
    at = START_US + 4 * DAY_US
    return {(kind, one): archive.read_known(one, kind, at)[0] for kind, one in keys}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("before", "sealing"),
    [([], _first), ([_first], _late)],
    ids=["first seal", "late reading into a final window"],
)
def test_seal_killed_at_any_step_is_mended_by_the_next(
    tmp_path: Path, before: list[Sealing], sealing: Sealing
) -> None:
    """
    The archive after a kill and another seal equals that of a seal without a kill.

    What final windows held before is still known, once, and no file is ever half.
    """
    names = _steps_of(tmp_path / "whole", before, sealing)
    wanted = contents(Archive(tmp_path / "whole", "ford", 24), KINDS)

    assert len(names) > 60
    prepared = Archive(tmp_path / "prepared", "ford", 24)
    for each in before:
        each(prepared)
    (tmp_path / "prepared").mkdir(exist_ok=True)
    for number, name in enumerate(names):
        shutil.copytree(tmp_path / "prepared", tmp_path / str(number))
        archive = Archive(tmp_path / str(number), "ford", 24)
        known = _finals(archive)
        with pytest.raises(Killed), killed_at(number):
            sealing(archive)
        _check_readable(archive)
        sealing(archive)
        assert contents(archive, KINDS) == wanted, f"killed at step {number}, {name}"
        assert [archive.is_final(window) for window in archive.windows()] == [True, True, False]
        assert not (archive.layout.folder / "unfinished.json").exists()
        assert _as_known_on_day_4(archive, known) == known
        revisions = [path for _, _, path in archive.layout.revisions("results")]
        assert len({path.stat().st_ino for path in revisions}) == len(revisions) == len(before) * 2


@pytest.mark.slow
def test_seal_killed_between_two_windows_finishes_the_following_ones_with_other_readings(
    tmp_path: Path,
) -> None:
    """The note on disk carries a moved edge on although the late reading does not come again."""
    names = _steps_of(tmp_path / "whole", [_first], _late)
    wanted = contents(Archive(tmp_path / "whole", "ford", 24))
    # The first window's final mark on raw is its last rename: the 5th, after note and 3 files.
    renames = [number for number, name in enumerate(names) if name == "after replace"]
    archive = Archive(tmp_path / "killed", "ford", 24)
    _first(archive)
    with pytest.raises(Killed), killed_at(renames[4] + 1):
        _late(archive)

    _seal(archive, Readings.empty(), 6)

    assert contents(archive) == wanted


@pytest.mark.slow
def test_every_file_is_synced_before_its_rename_and_its_folder_after(tmp_path: Path) -> None:
    """After a power cut a rename never stands before the bytes, and no name is lost."""
    names = _steps_of(tmp_path, [_first], _late)
    calls = [name.removeprefix("before ") for name in names if name.startswith("before")]

    assert calls.count("replace") > 5
    for before, call, after in zip(calls, calls[1:], calls[2:], strict=False):
        if call == "replace":
            assert (before, after) == ("fsync file", "fsync folder")
        if call in ("link", "mkdir"):
            assert after == "fsync folder"


_DIE = """
import os, sys
from pathlib import Path
from pipeline.store.archive import Archive
from tests.store import archives, test_seal_kill as sealing

folder, number = Path(sys.argv[1]), int(sys.argv[2])
archives.Steps.step = lambda self, name: (
    self.names.append(name), os._exit(9) if len(self.names) > self.kill_at else None)
with archives.killed_at(number):
    sealing._late(Archive(folder, "ford", 24))
"""


@pytest.mark.slow
@pytest.mark.parametrize("number", [7, 29, 53])
def test_seal_in_a_process_that_dies_is_mended_by_another(tmp_path: Path, number: int) -> None:
    """The same with a real end of the process: no clean-up runs, the lock is free again."""
    archive, whole = Archive(tmp_path / "dead", "ford", 24), Archive(tmp_path / "whole", "ford", 24)
    for each in (archive, whole):
        _first(each)
    _late(whole)

    died = subprocess.run([sys.executable, "-c", _DIE, str(tmp_path / "dead"), str(number)])
    _check_readable(archive)
    _late(archive)

    assert died.returncode == 9
    assert contents(archive, KINDS) == contents(whole, KINDS)


@pytest.mark.slow
def test_two_kills_in_a_row_are_mended_as_well(tmp_path: Path) -> None:
    """A second kill in the repair does not make it worse."""
    whole, archive = Archive(tmp_path / "whole", "ford", 24), Archive(tmp_path / "dead", "ford", 24)
    for each in (whole, archive):
        _first(each)
    _late(whole)
    for number in (37, 31, 22, 9):
        with pytest.raises(Killed), killed_at(number):
            _late(archive)
    _late(archive)

    assert contents(archive, KINDS) == contents(whole, KINDS)
    assert len(concat_readings(map(archive.read_raw, archive.windows()))) == 25
