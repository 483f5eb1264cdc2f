"""
Tests that hold a reading against those just before it: spike, rate, gap and clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.chain import initial_state, run_chain
from pipeline.derive.gauges import Limits, Segment
from pipeline.derive.outcome import Numbers, Outcome
from pipeline.derive.quality_steps import check_rate, check_spike
from pipeline.derive.state import GaugeState
from tests.derive.examples import START_US
from tests.derive.streams import floats
from tests.derive.tilt import KEY, flags, has, plan, run, run_cut, stream

Check = Callable[[Numbers, GaugeState, Segment, Limits], Outcome]

# qartod_flags.json, spike, average of the neighbours, suspect threshold 2 (its fail threshold has
# no place here). The package sets the flag on the middle row; here it stands on the row after,
# which is the first that can know.
SPIKES = [3, 4.99, 5, 6, 5, 3, 10, 3, 3]
SPIKE_AT = [0, 0, 0, 0, 0, 1, 1, 1, 0]


def test_spike_meets_the_reference_case_one_row_later() -> None:
    """The row that completes the three values carries the bit of the middle one."""
    results = run(SPIKES, spike_height=2.0)

    assert has(results, "spike") == [0, *SPIKE_AT[:-1]]
    assert flags(results) == [2, 2, 1, 1, 1, 1, 3, 3, 3]


def test_spike_meets_the_second_reference_case() -> None:
    """qartod_flags.json: suspect threshold 1.0; the 3 and the 6 and the values beside them."""
    results = run([0, 0, 0, 3, 0, 0, 0, 6, 0, 0], spike_height=1.0)

    assert has(results, "spike") == [0, 0, 0, 1, 1, 1, 0, 1, 1, 1]


def test_spike_as_high_as_the_limit_is_none() -> None:
    """qartod_flags.json: comparisons of spike and rate are strict."""
    assert has(run([0, 4, 0], spike_height=4.0), "spike") == [0, 0, 0]
    assert has(run([0, 4, 0], spike_height=3.999), "spike") == [0, 0, 1]


def test_spike_needs_two_values_before_without_a_gap() -> None:
    """After three lost minutes two rows are not evaluated; a failed reading is passed over."""
    after_gap = run([0, 0, 0, 9, 0, 0], [0, 60, 120, 300, 360, 420], spike_height=2.0)
    over_failed = run([0, 9, 2e6, 0, 0], spike_height=2.0)

    assert has(after_gap, "spike") == [0, 0, 0, 0, 0, 1]
    assert flags(after_gap) == [2, 2, 1, 3, 2, 3]
    assert has(over_failed, "spike") == [0, 0, 0, 1, 1]
    assert flags(over_failed) == [2, 2, 4, 3, 3]


def test_row_is_judged_once_and_a_later_reading_changes_nothing_before_it() -> None:
    """Causal: the flags of the first k rows are those of the whole stream, for every k."""
    point = {"spike_height": 2.0, "rate_per_s": 0.05, "flat_s": 180.0, "noise_s": 1200.0}
    values = [*SPIKES, *SPIKES, *SPIKES, *SPIKES]
    whole = run(values, noise_high=1.0, **point)

    for k in range(1, len(values)):
        part = run(values[:k], noise_high=1.0, **point)

        assert flags(part) == flags(whole)[:k]
        assert part.column("tests").tolist() == whole.column("tests").tolist()[:k]


def test_rate_limit_of_an_exact_step_is_not_exceeded_by_rounding() -> None:
    """0.05/s over 60 s is 3; a change of 3 passes, the next float above does not."""
    above = float(np.nextafter(3.0, 4.0))

    assert has(run([0.0, 3.0], rate_per_s=0.05), "rate_of_change") == [0, 0]
    assert has(run([0.0, above], rate_per_s=0.05), "rate_of_change") == [0, 1]


def test_stated_gap_goes_before_two_and_a_half_intervals() -> None:
    """gap_s of 100 s: 100 s is none, 101 s is one, and over it no rate is judged."""
    results = run([0, 0, 50], [0, 100, 201], gap_s=100.0, rate_per_s=0.05)

    assert has(results, "gap") == [0, 0, 1]
    assert has(results, "rate_of_change") == [0, 0, 0]


@pytest.mark.parametrize("check", [check_rate, check_spike])
def test_nothing_is_judged_across_a_seam(check: Check) -> None:
    """A zero or a new calibration moves the value: that is no rate and no spike."""
    one = plan(rate_per_s=0.05, spike_height=2.0)
    segment, limits = one.gauges[0].segments[0], one.gauges[0].limits
    minutes = START_US + np.arange(4) * 60_000_000
    before = GaugeState(
        watched_time=START_US - 60_000_000,
        watched=0.0,
        earlier_time=START_US - 120_000_000,
        earlier=0.0,
    )
    numbers = Numbers(np.arange(4), minutes, np.full(4, 90.0))
    begun = replace(segment, start_us=START_US - 200_000_000)

    across, anew = check(numbers, before, begun, limits), check(numbers, before, segment, limits)

    assert across.failed.tolist() == [True, check is check_spike, False, False]
    assert not across.unrun.any()
    assert not anew.failed.any()
    assert anew.unrun.tolist() == [True, check is check_spike, False, False]


def clock(times: list[float], sequence: list[int | None], intervals: float = 10.0) -> list[int]:
    """Rows with the clock bit, of readings with these sequences, a minute being the interval."""
    one = plan(clock_intervals=intervals)
    block = stream(times, [0.0] * len(times), sequence)
    return has(run_chain(block, initial_state(one), one)[0], "clock")


def test_clock_that_steps_back_puts_a_lower_sequence_behind_a_higher_one() -> None:
    """Messages 0 to 5 a minute apart; before 3 the clock went back by 90 s."""
    sent = [0.0, 60.0, 120.0, 90.0, 150.0, 210.0]
    order = np.argsort(sent)

    found = clock([sent[i] for i in order], [int(i) for i in order])

    assert [int(i) for i in order] == [0, 1, 3, 2, 4, 5]
    assert found == [0, 0, 0, 1, 0, 0]


def test_clock_that_jumps_forward_leaves_no_hole_in_the_sequence() -> None:
    """An hour between messages 2 and 3 is a jump; between 2 and 63 it is an hour of silence."""
    assert clock([0, 60, 3660, 3720], [1, 2, 3, 4]) == [0, 0, 1, 0]
    assert clock([0, 60, 3660, 3720], [1, 2, 63, 64]) == [0, 0, 0, 0]
    assert clock([0, 60, 3660, 3720], [1, 2, 4, 5]) == [0, 0, 0, 0]


def test_clock_jump_is_longer_than_the_stated_intervals() -> None:
    """Ten intervals of a minute: 600 s is none, a µs more is one; within one message too."""
    assert clock([0, 600], [1, 2]) == [0, 0]
    assert clock([0, 600.000001], [1, 2]) == [0, 1]
    assert clock([0, 600.000001], [1, 1]) == [0, 1]


def test_clock_cannot_be_judged_without_sequences_nor_at_the_first_reading() -> None:
    """Required and not run is 2; a node that sends no sequence passes nothing."""
    one = plan(clock_intervals=10.0)
    block = stream([0, 60, 120, 180], [0.0] * 4, [1, 2, None, 4])

    results = run_chain(block, initial_state(one), one)[0]

    assert flags(results) == [2, 1, 2, 2]
    assert flags(run([0, 0, 0], clock_intervals=10.0)) == [2, 2, 2]


def test_sequence_too_large_for_a_float_is_as_none() -> None:
    """From 2**53 on neighbours cannot be told apart; 2**53 - 1 and the one before it can."""
    top = 2**53

    assert clock([0, 60], [top - 1, top - 2]) == [0, 1]
    assert clock([0, 60], [top + 1, top]) == [0, 0]


def test_late_rows_are_not_judged_by_what_came_before() -> None:
    """Live, what is older than the state has every ordered test not run, and does not move it."""
    one = plan(spike_height=2.0, rate_per_s=0.05, clock_intervals=10.0, gross_high=5.0)
    head = stream([0, 60, 120, 180], [0.0] * 4, [1, 2, 3, 4])
    late = stream([90.0, 100.0], [9.0, 1.0], [5, 6])

    _, state = run_chain(head, initial_state(one), one, live=True)
    results, after = run_chain(late, state, one, live=True)

    assert has(results, "gross_range") == [1, 0]
    assert flags(results) == [3, 2]
    assert after.gauges[KEY] == state.gauges[KEY]


@settings(deadline=None)
@given(
    values=st.lists(
        st.sampled_from([0.0, 1.0, 3.0, -4.0, 2e6, float(np.pi)]), min_size=1, max_size=40
    ),
    steps=st.lists(st.sampled_from([1, 30, 60, 150, 151, 700]), min_size=40, max_size=40),
    moves=st.lists(st.sampled_from([0, 1, 1, 2, -3, None]), min_size=40, max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=4),
)
def test_stream_cut_anywhere_gives_the_same_rows_and_state(
    values: list[float], steps: list[int], moves: list[int | None], cuts: list[int]
) -> None:
    """Spike, rate, gap and clock with the state through JSON at every cut: equal bits."""
    one = plan(spike_height=2.0, rate_per_s=0.05, clock_intervals=10.0)
    n = len(values)
    sequence, at = [], 0
    for move in moves[:n]:
        at += move or 0
        sequence.append(None if move is None else at)
    block = stream(np.cumsum(steps[:n]), values, sequence)

    whole, state = run_chain(block, initial_state(one), one)
    parts, after = run_cut(one, block, [min(cut, n) for cut in cuts])

    assert parts.column("tests").tolist() == whole.column("tests").tolist()
    assert flags(parts) == flags(whole)
    assert after.to_json() == state.to_json()
    np.testing.assert_array_equal(floats(parts, "value"), floats(whole, "value"))


@pytest.mark.parametrize("test", ["spike_height", "rate_per_s", "clock_intervals"])
def test_state_holds_only_what_the_stated_tests_need(test: str) -> None:
    """The value before the last for spike, the last sequence for clock; else nothing."""
    one = plan(**{test: 5.0})

    _, state = run_chain(stream([0, 60], [1.0, 2.0], [7, 8]), initial_state(one), one)

    gauge = state.gauges[KEY]
    assert gauge.earlier == (1.0 if test == "spike_height" else None)
    assert gauge.last_sequence == (8.0 if test == "clock_intervals" else None)
