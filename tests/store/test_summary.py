"""Hourly figures: checked by hand and against the standard library."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.blocks import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, Results, concat_results
from pipeline.store.summary import SUMMARY_SCHEMA, Interval, summarise
from tests.store.archives import HOUR_US, START_US


def _results(
    minutes: list[float], values: list[float], point: str = "NS-01", **columns: npt.ArrayLike
) -> Results:
    time = START_US + (np.asarray(minutes, float) * 60e6).astype(np.int64)
    given: dict[str, npt.ArrayLike] = {"value": values, "flag": np.ones(len(time), np.int8)}
    given["tests"] = np.zeros(len(time), np.int32)
    return Results.from_columns(time, point, "strain", given | columns)


def _rows(results: Results, intervals: list[Interval] | None = None) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = summarise(results, intervals or []).to_pylist()
    return rows


def test_figures_of_one_hour_are_those_worked_by_hand() -> None:
    """1, 2, 3, 6: mean 3, deviations 2, 1, 0, 3, so std is sqrt(14/3)."""
    (row,) = _rows(
        _results(
            [0, 10, 20, 30],
            [2.0, 1.0, 6.0, 3.0],
            u=[0.5, 0.5, 0.5, 1.5],
            temperature=[20.0, 21.0, np.nan, 25.0],
        )
    )

    assert (row["n"], row["n_passed"], row["n_valued"]) == (4, 4, 4)
    assert (row["min"], row["mean"], row["max"]) == (1.0, 3.0, 6.0)
    assert row["std"] == pytest.approx(math.sqrt(14 / 3), rel=1e-15)
    assert row["time_min"].minute == 10
    assert row["time_max"].minute == 20
    assert row["u_mean"] == 0.75
    assert (row["temperature_min"], row["temperature_mean"], row["temperature_max"]) == (20, 22, 25)
    assert row["completeness"] is None


def test_rows_are_counted_by_flag_and_suspect_ones_are_in_the_range() -> None:
    """A real overload is suspect and must be the maximum; a failed value is none."""
    flags = np.array([PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING], np.int8)

    (row,) = _rows(_results([0, 1, 2, 3, 4], [1.0, 2.0, 900.0, 5000.0, -5000.0], flag=flags))

    counts = ("n_passed", "n_not_evaluated", "n_suspect", "n_failed", "n_missing")
    assert [row[name] for name in counts] == [1, 1, 1, 1, 1]
    assert (row["n"], row["n_valued"], row["min"], row["max"]) == (5, 3, 1.0, 900.0)


def test_hour_without_a_value_has_counts_and_no_figures() -> None:
    """An open circuit for an hour is a row that says so, not a missing row."""
    (row,) = _rows(_results([0, 1], [np.nan, np.nan], flag=np.array([FAIL, FAIL], np.int8)))

    assert (row["n"], row["n_failed"], row["n_valued"]) == (2, 2, 0)
    absent = ("min", "mean", "max", "std", "time_min", "time_max", "u_mean", "temperature_mean")
    assert [row[name] for name in absent] == [None] * 8


def test_spread_of_one_value_is_null() -> None:
    """A single value has no spread that could be known."""
    (row,) = _rows(_results([0], [7.0]))

    assert (row["mean"], row["std"]) == (7.0, None)


def test_rows_are_by_point_quantity_and_hour_with_the_hour_edge_in_the_later() -> None:
    """60:00 belongs to the second hour; points come in order of name whatever the input's."""
    b = _results([59.9999, 60], [1.0, 2.0], point="b")
    a = _results([0], [3.0], point="a")

    rows = _rows(concat_results([b, a]))

    got = [(row["point"], row["hour"].hour, row["n"], row["max"]) for row in rows]
    assert got == [("a", 0, 1, 3.0), ("b", 0, 1, 1.0), ("b", 1, 1, 2.0)]


def test_first_of_equal_extremes_gives_the_time() -> None:
    """Where the least value stood twice, the first time is told."""
    (row,) = _rows(_results([5, 10, 15], [1.0, 1.0, 1.0]))

    assert row["time_min"] == row["time_max"]
    assert row["time_min"].minute == 5


def test_completeness_counts_what_the_placements_in_the_hour_should_have_sent() -> None:
    """
    By hand: 30 min at 60 s and 30 min at 20 s are 30 + 90 rows; 60 came, so it is one half.

    A point without an interval is null; more rows than expected are told as they are.
    """
    half = START_US + HOUR_US // 2
    intervals = [
        Interval("a", START_US - HOUR_US, half, 60.0),
        Interval("a", half, START_US + HOUR_US, 20.0),
        Interval("c", 0, START_US + HOUR_US, 3600.0),
    ]
    minutes = [float(n) for n in range(60)]
    results = concat_results([_results(minutes, minutes, point=name) for name in "abc"])

    rows = _rows(results, intervals)

    assert [row["completeness"] for row in rows] == [0.5, None, 60.0]


def test_no_results_give_an_empty_table_with_units() -> None:
    """The schema and its units are there without a row."""
    table = summarise(Results.empty())

    assert table.num_rows == 0
    assert table.schema.equals(SUMMARY_SCHEMA, check_metadata=True)
    assert table.schema.field("temperature_max").metadata == {b"unit": "°C".encode()}
    assert table.schema.field("completeness").metadata is not None


@pytest.mark.slow
@given(
    rows=st.lists(
        st.tuples(st.integers(0, 179), st.floats(-5e3, 5e3), st.sampled_from(["a", "b"])),
        min_size=1,
        max_size=60,
    )
)
def test_figures_agree_with_the_standard_library_whatever_the_order(
    rows: list[tuple[int, float, str]],
) -> None:
    """Exact extremes; mean and spread as `statistics` gives them, also about a large offset."""
    offset = 1e6
    blocks = [_results([minute], [offset + value], point=name) for minute, value, name in rows]
    groups: dict[tuple[str, int], list[float]] = {}
    for minute, value, name in rows:
        groups.setdefault((name, minute // 60), []).append(offset + value)

    for row in _rows(concat_results(blocks)):
        values = groups.pop((row["point"], row["hour"].hour))
        assert (row["n"], row["min"], row["max"]) == (len(values), min(values), max(values))
        assert row["mean"] == pytest.approx(statistics.fmean(values), rel=1e-14)
        if len(values) > 1:
            assert row["std"] == pytest.approx(statistics.stdev(values), rel=1e-9, abs=1e-9)

    assert groups == {}
