"""
Tests on the value and the flag of each row, through the chain of a tilt sensor.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.chain import ChainState, initial_state, run_chain
from tests.derive.streams import floats, readings
from tests.derive.tilt import flags, has, plan, run


def test_gross_range_ends_are_inside() -> None:
    """qartod_flags.json, first case with its suspect span: [1, 4], inclusive; 3 is our worst."""
    results = run([1, 2, 3, 4, 8, 0.5], gross_low=1.0, gross_high=4.0)

    assert has(results, "gross_range") == [0, 0, 0, 0, 1, 1]
    assert flags(results) == [2, 1, 1, 1, 3, 3]


def test_rate_of_change_meets_the_reference_case_but_passes_no_first_sample() -> None:
    """qartod_flags.json: 0.05/s on [0, 1, 2, 10, 10, 10, 3] a minute apart; the first is 2."""
    results = run([0, 1, 2, 10, 10, 10, 3], rate_per_s=0.05)

    assert has(results, "rate_of_change") == [0, 0, 0, 1, 0, 0, 1]
    assert flags(results) == [2, 1, 1, 3, 1, 1, 3]


def test_rate_keeps_fractions_of_a_second() -> None:
    """Two samples 0.2 s apart: 0.1 in 0.2 s is 0.5/s, above 0.4 and below 0.6."""
    for limit, expected in ((0.4, 1), (0.6, 0)):
        results = run([0.0, 0.1], [0.0, 0.2], rate_per_s=limit)

        assert has(results, "rate_of_change") == [0, expected]


def test_rate_could_not_run_after_a_gap_or_a_failed_reading_alone_in_it() -> None:
    """After three lost minutes the change says nothing; over one failed reading it still does."""
    results = run([0, 0, 50, 51], [0, 60, 300, 360], rate_per_s=0.05)
    over = run([0, 2e6, 50], rate_per_s=0.05)

    assert has(results, "rate_of_change") == [0, 0, 0, 0]
    assert flags(results) == [2, 1, 3, 1]
    assert has(over, "rate_of_change") == [0, 0, 1]
    assert flags(over) == [2, 4, 3]


def test_gap_is_more_than_two_and_a_half_intervals_and_the_first_reading_cannot_tell() -> None:
    """Exactly 150 s is none, a µs more is one; a failed reading ends a gap all the same."""
    results = run([1, 2, 3], [0.0, 150.0, 300.000001])
    failed = run([1, 2e6, 3], [0.0, 140.0, 280.0])

    assert has(results, "gap") == [0, 0, 1]
    assert flags(results) == [2, 1, 3]
    assert has(failed, "gap") == [0, 0, 0]


# qartod_flags.json, flat line: suspect after 180 s within 0.01, a minute apart. The package
# calls 1 what cannot be judged yet; here that is 2.
FLAT = [1, 2, 1.0001, 1.0002, 1.0001, 1.0002, 1.0001, 1.0002, 1.0, 2]


def test_flat_line_meets_the_reference_case() -> None:
    """The window is full three minutes in; it ends with a value that differs."""
    results = run(FLAT, flat_s=180.0, flat_tolerance=0.01)

    assert has(results, "flat_line") == [0, 0, 0, 0, 0, 1, 1, 1, 1, 0]
    assert flags(results) == [2, 1, 1, 1, 1, 3, 3, 3, 3, 1]


def test_flat_line_is_not_judged_before_its_window_is_full() -> None:
    """A constant from the start: not evaluated for two minutes, then flat."""
    results = run([5, 5, 5, 5, 5], flat_s=180.0)

    assert flags(results) == [2, 2, 2, 3, 3]


@settings(deadline=None)  # a busy machine is no failure
@given(
    steps=st.lists(st.integers(-2, 2), min_size=1, max_size=60),
    tolerance=st.sampled_from([0.0, 1.0, 2.5]),
    cut=st.integers(0, 60),
)
def test_flat_line_is_what_a_plain_loop_finds_cut_anywhere(
    steps: list[int], tolerance: float, cut: int
) -> None:
    """Every window looked at in full, in one block or two with the state between."""
    values, width = np.cumsum(steps).astype(np.float64), 300.0
    times = 60.0 + np.arange(len(values)) * 60.0 + np.array(steps) * 7.0
    one = plan(flat_s=width, flat_tolerance=tolerance)
    expected = []
    for i, t in enumerate(times):
        seen = values[: i + 1][times[: i + 1] >= t - width]
        flat = seen.max() - seen.min() <= tolerance
        expected.append(int(flat and times[0] <= t - width))

    state, found = initial_state(one), []
    for rows in (slice(0, cut), slice(cut, None)):
        if len(values[rows]):
            part, state = run_chain(
                readings({"T1": (times[rows], values[rows])}),
                ChainState.from_json(state.to_json()),
                one,
            )
            found += has(part, "flat_line")

    assert found == expected


def test_stuck_gauge_costs_the_state_one_value() -> None:
    """Ten thousand equal values in the window leave one behind."""
    one = plan(flat_s=1e6, flat_tolerance=0.1)

    _, state = run_chain(
        readings({"T1": (np.arange(10_000) * 60.0, np.ones(10_000))}), initial_state(one), one
    )

    assert len(state.gauges["T1|T1|P-T1"].flat_value) == 1


def test_failed_reading_is_a_row_without_a_value() -> None:
    """At its rail: null value and u, flag 4; the next one is judged on."""
    results = run([1.0, 1e6, 2.0], gross_high=1.5)

    assert has(results, "converter_rail") == [0, 1, 0]
    assert flags(results) == [2, 4, 3]
    np.testing.assert_array_equal(np.isnan(floats(results, "value")), [False, True, False])
    np.testing.assert_array_equal(np.isnan(floats(results, "u")), [False, True, False])
