"""Rows of a point that the configuration lost: a late reading leaves them, a rebuild takes them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import Readings, Results, concat_results
from pipeline.store.archive import Archive
from pipeline.store.rebuild import rebuild
from pipeline.store.seal import seal_onward
from tests.store.archives import (
    DAY_US,
    HOUR_US,
    START_US,
    LagChain,
    contents,
    one_reading,
    provenance,
    three_days,
)

LOST = "P-NS-02"


class LostChain(LagChain):
    """The chain of a configuration from whose tables NS-02 was taken out."""

    def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
        """As `Chain.run`."""
        codes, names = readings.channel_codes()
        return super().run(readings.take(codes != names.index("NS-02")), state)


def _sealed(folder: Path, *, is_final: bool = True) -> Archive:
    archive = Archive(folder, "ford", 24)
    seal_onward(archive, three_days(), LagChain(), provenance(), lambda _: is_final)
    return archive


def _late(archive: Archive, hour: int, configuration: str = "beef") -> None:
    """One late reading of NS-01 on the first day, under the configuration without NS-02."""
    late = one_reading("NS-01", START_US + hour * HOUR_US + 1, 400.0)
    now = provenance(configuration=configuration)
    seal_onward(archive, late, LostChain(), now, archive.is_final)


def _of_point(archive: Archive, point: str, window_us: int = START_US) -> list[dict[str, object]]:
    rows = archive.read_results(window_us).table.to_pylist()
    return [row for row in rows if row["point"] == point]


def test_late_readings_keep_the_rows_of_a_point_that_is_gone(tmp_path: Path) -> None:
    """Bit for bit, after two late readings under two configurations; the file says which."""
    archive = _sealed(tmp_path)
    before = {day: _of_point(archive, LOST, START_US + day * DAY_US) for day in range(3)}
    known = len(_of_point(archive, "P-NS-01"))

    _late(archive, 1)
    _late(archive, 2)
    _late(archive, 4, "f00d")

    after = {day: _of_point(archive, LOST, START_US + day * DAY_US) for day in range(3)}
    metadata = archive.metadata(START_US, "results")
    assert len(before[0]) == 8
    assert after == before
    assert len(_of_point(archive, "P-NS-01")) == known + 3
    assert json.loads(metadata["kept_points"]) == [[LOST, "strain"]]
    assert metadata["configuration_sha256"] == "f00d"
    assert LOST in archive.read(START_US, "summary")[0].column("point").to_pylist()


def test_rows_that_stay_are_sorted_among_the_others(tmp_path: Path) -> None:
    """By point and time, as every file of results."""
    archive = _sealed(tmp_path)
    _late(archive, 1)

    results = archive.read_results(START_US)
    codes, names = results.point_codes()
    keys = [(names[code], time) for code, time in zip(codes, results.column("time"), strict=True)]

    assert keys == sorted(keys)


def test_a_repeat_of_the_late_reading_writes_nothing(tmp_path: Path) -> None:
    """Sealing the same again finds what is there."""
    archive = _sealed(tmp_path)
    _late(archive, 1)
    found = contents(archive)

    _late(archive, 1)

    assert contents(archive) == found


def test_rebuild_drops_them_and_says_so(tmp_path: Path) -> None:
    """A person who asks for the history of today's tables gets it; the old one is superseded."""
    archive = _sealed(tmp_path)
    _late(archive, 1)

    report = rebuild(archive, LostChain(), provenance(configuration="beef"))

    assert _of_point(archive, LOST) == []
    assert "kept_points" not in archive.metadata(START_US, "results")
    assert LOST in report.windows[0].note
    assert len(archive.layout.revisions("results", START_US)) == 2


@pytest.mark.parametrize("is_final", [True, False])
def test_same_configuration_and_an_open_window_keep_nothing(tmp_path: Path, is_final: bool) -> None:
    """What is sealed must not depend on when: only another configuration's final rows stay."""
    archive = _sealed(tmp_path, is_final=is_final)

    _late(archive, 1, "c0ffee" if is_final else "beef")

    assert _of_point(archive, LOST) == []
    assert "kept_points" not in archive.metadata(START_US, "results")


def test_another_quantity_of_a_point_that_stays_is_kept(tmp_path: Path) -> None:
    """What is lost is told by point and quantity, not by point alone."""

    class Both(LagChain):
        def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
            results, after = super().run(readings, state)
            time = np.array([START_US], np.int64)
            extra: dict[str, npt.ArrayLike] = {"value": [21.0], "flag": [1], "tests": [0]}
            tilt = Results.from_columns(time, "P-NS-01", "tilt", extra)
            return concat_results([results, tilt]), after

    archive = Archive(tmp_path, "ford", 24)
    day = three_days().take(np.arange(8))
    seal_onward(archive, day, Both(), provenance(), lambda _: True)
    late = one_reading("NS-01", START_US + HOUR_US, 400.0)
    seal_onward(archive, late, LagChain(), provenance(configuration="beef"), lambda _: True)

    rows = _of_point(archive, "P-NS-01")
    assert [row["value"] for row in rows if row["quantity"] == "tilt"] == [21.0]
    assert sum(row["quantity"] == "strain" for row in rows) == 9
