"""Exactly once: whatever pieces a stream comes in, the sealed archive is the same."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.blocks import Readings, concat_readings
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


def _stream() -> Readings:
    """Three days of two channels with two contradictions, each received at another time."""
    contradictions = [
        one_reading("NS-01", START_US + 6 * HOUR_US, -50.0),
        one_reading("NS-02", START_US + DAY_US + 3 * HOUR_US, 9.0, sequence=4),
    ]
    stream = concat_readings([three_days(), *contradictions])
    columns = [stream.column("time"), stream.table.column("channel").combine_chunks()]
    received = stream.column("time").astype(np.int64) + np.arange(len(stream)) + 1
    sequence = stream.table.column("sequence").combine_chunks()
    return Readings.from_columns(
        columns[0].astype(np.int64),
        columns[1],
        stream.column("value").astype(float),
        received,
        sequence,
    )


STREAM = _stream()
ROWS = len(STREAM)


@st.composite
def _batches(draw: st.DrawFn) -> list[list[int]]:
    """Every row of the stream once or more, in any order, cut anywhere."""
    repeats = draw(st.lists(st.integers(0, ROWS - 1), max_size=12))
    rows = draw(st.permutations([*range(ROWS), *repeats]))
    cuts = sorted(draw(st.lists(st.integers(0, len(rows)), max_size=4)))
    return [rows[a:b] for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True)]


@pytest.mark.slow
@settings(max_examples=25, deadline=None, derandomize=True)
@given(batches=_batches(), window_h=st.sampled_from([24, 1]))
def test_stream_in_any_pieces_with_repeats_gives_the_same_archive(
    batches: list[list[int]], window_h: int
) -> None:
    """Raw, results and summary have the same values as after one seal of the stream in order."""
    with tempfile.TemporaryDirectory() as folder:
        whole = Archive(Path(folder) / "whole", "ford", window_h)
        seal_onward(whole, STREAM, LagChain(), provenance(), lambda _: False)
        pieces = Archive(Path(folder) / "pieces", "ford", window_h)
        for rows in batches:
            seal_onward(pieces, STREAM.take(rows), LagChain(), provenance(), lambda _: False)

        assert contents(pieces, ("raw", "results", "summary")) == contents(
            whole, ("raw", "results", "summary")
        )
        assert sum(len(pieces.read_raw(window)) for window in pieces.windows()) == ROWS


@pytest.mark.slow
@settings(max_examples=15, deadline=None, derandomize=True)
@given(batches=_batches())
def test_stream_that_comes_late_into_final_windows_keeps_raw_exactly_and_results_closely(
    batches: list[list[int]],
) -> None:
    """Raw is the same; results are within 0.002 µm/m of a rebuild (design, N3)."""
    with tempfile.TemporaryDirectory() as folder:
        whole = Archive(Path(folder) / "whole", "ford", 24)
        seal_onward(whole, STREAM, LagChain(), provenance(), lambda _: True)
        pieces = Archive(Path(folder) / "pieces", "ford", 24)
        for rows in batches:
            seal_onward(pieces, STREAM.take(rows), LagChain(), provenance(), lambda _: True)

        assert contents(pieces, ("raw",)) == contents(whole, ("raw",))
        report = rebuild(pieces, LagChain(), provenance(), dry_run=True)
        assert all(gap <= 0.002 for gap in report.largest.values())


@pytest.mark.parametrize("zone", ["Europe/Dublin", "America/St_Johns", "UTC"])
def test_windows_do_not_know_of_summer_time(
    tmp_path: Path, zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the day on which European clocks go back, a window is 24 h from 00:00 UTC in any zone."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        archive = Archive(tmp_path, "ford", 24)
        # 2026-10-25T00:00:00Z is day 20,751: 30 days before the 24th of November, day 20,781.
        midnight = START_US - 30 * DAY_US
        edges = np.array([midnight - 1, midnight, midnight + DAY_US - 1, midnight + DAY_US])
        windows = archive.window_of(edges)
        path = archive.layout.path(midnight, "raw")
    finally:
        monkeypatch.undo()
        time.tzset()

    assert windows.tolist() == [midnight - DAY_US, midnight, midnight, midnight + DAY_US]
    assert os.fspath(path).endswith("raw/date=2026-10-25/ford_20261025.parquet")
