"""
The running standard deviation: noise growth and attenuated signal.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.chain import ChainState, initial_state, run_chain, state_distance
from pipeline.derive.gauges import Limits
from pipeline.derive.outcome import Numbers
from pipeline.derive.quality_noise import check_noise
from pipeline.derive.state import GaugeState, NoiseState
from tests.derive.examples import START_US
from tests.derive.streams import Floats
from tests.derive.tilt import KEY, flags, has, plan, run, run_cut, stream

SPAN = {"noise_s": 600.0}
"""Ten slices of a minute, which is the interval: a slice holds one value."""
WIDTH_US = 60_000_000


def deviations(times: Floats, values: Floats, fewest: int = 5) -> Floats:
    """By hand: deviation (n) of the ten complete minutes before each row's; NaN: not known."""
    minute = np.floor((times * 1e6 + START_US) / WIDTH_US)
    found = np.full(len(times), np.nan)
    for i, at in enumerate(minute):
        seen = values[(minute >= at - 10) & (minute < at)]
        reaches = times[0] * 1e6 + START_US <= (at - 10) * WIDTH_US
        if reaches and len(seen) >= fewest:
            found[i] = np.std(seen)
    return found


def test_attenuated_meets_the_reference_case_once_its_window_is_full() -> None:
    """qartod_flags.json: [1, 1.01, 1, 1.02, 1, 1.01] is below 0.1; the package says so at once."""
    values = [1, 1.01, 1, 1.02, 1, 1.01] * 4

    results = run(values, noise_low=0.1, **SPAN)

    assert flags(results) == [2] * 10 + [3] * 14
    assert has(results, "attenuated") == [0] * 10 + [1] * 14


def test_deviation_is_that_of_the_reference_case() -> None:
    """By hand: mean 1.00667, squares 3·4.4444e-5 + 2·1.1111e-5 + 1.7778e-4 = 3.3333e-4, over 6."""
    by_hand = float(np.sqrt(1e-3 / 3.0 / 6.0))
    values = [1, 1.01, 1, 1.02, 1, 1.01] * 4

    below = run(values, noise_low=by_hand * (1.0 - 1e-9), noise_s=360.0)
    above = run(values, noise_high=by_hand * (1.0 - 1e-9), noise_s=360.0)

    assert has(below, "attenuated") == [0] * 24
    assert has(above, "noise") == [0] * 6 + [1] * 18


def test_noise_that_grows_is_told_within_a_tenth_of_the_span_and_goes_with_it() -> None:
    """Alternating ±0.1, then ±1 for five minutes, then ±0.1: seen from the next minute on."""
    sizes = np.repeat([0.1, 1.0, 0.1], [20, 5, 20])
    values = sizes * np.where(np.arange(45) % 2, 1.0, -1.0)

    results = run(values, noise_high=0.25, **SPAN)

    # One of ten values at 1 gives √(0.09 + 0.91·…): 0.33 about its mean, above 0.25 at once.
    assert has(results, "noise") == [0] * 21 + [1] * 14 + [0] * 10
    assert flags(results) == [2] * 10 + [1] * 11 + [3] * 14 + [1] * 10


def test_window_with_too_few_values_is_not_judged() -> None:
    """Half of the ten values due must have come; after an hour of silence none have."""
    t = np.concatenate((np.arange(12) * 60.0, 3600.0 + np.arange(12) * 60.0))
    values = np.arange(24) % 2

    results = run(values, t, noise_high=10.0, **SPAN)

    # The tenth minute back is there from the first rows after the silence, but nothing in it;
    # the sixth row has five values before it.
    assert flags(results) == [2] * 10 + [1] * 2 + [3] + [2] * 4 + [1] * 7


def test_stuck_gauge_is_attenuated_whatever_its_value() -> None:
    """The deviation of equal values is 0 to the last bit, at 1 and at 1e9."""
    for value in (1.0, 1e5 + 0.1, -1e-9):
        results = run([value] * 15, noise_low=1e-12, noise_high=1e-11, **SPAN)

        assert has(results, "attenuated") == [0] * 10 + [1] * 5
        assert has(results, "noise") == [0] * 15


def test_deviation_keeps_its_digits_far_from_zero() -> None:
    """±1e-3 about 1e5: a sum of squares about zero would have lost all but two digits."""
    values = 1e5 + 1e-3 * np.where(np.arange(30) % 2, 1.0, -1.0)

    assert has(run(values, noise_high=1.0001e-3, **SPAN), "noise") == [0] * 30
    assert has(run(values, noise_high=0.9999e-3, **SPAN), "noise") == [0] * 10 + [1] * 20


def test_largest_numbers_leave_a_state_that_json_can_hold() -> None:
    """A linear sensor may say 1e5 at one time and, scaled by a hostile hand, 1e300 at another."""
    numbers = Numbers(np.arange(40), np.arange(40) * 60_000_000, np.resize([1e300, -1e300], 40))
    one = plan(noise_high=1.0, **SPAN)
    gauge = one.gauges[0]

    outcomes, state = check_noise(
        numbers, None, replace(gauge.segments[0], start_us=0), gauge.limits
    )

    assert isinstance(state, NoiseState)
    text = ChainState(gauges={"x": GaugeState(noise=state)}).to_json()
    assert ChainState.from_json(text).gauges["x"].noise == state
    assert outcomes[0].failed[10:].all()


def test_seam_starts_anew() -> None:
    """A memory from before the segment is dropped: what changed at the seam is not noise."""
    one = plan(noise_high=1.0, **SPAN)
    segment, limits = one.gauges[0].segments[0], one.gauges[0].limits
    before = numbers_at(np.arange(20), np.zeros(20))
    after = numbers_at(np.arange(20, 40), np.full(20, 500.0))
    _, state = check_noise(before, None, segment, limits)

    later = replace(segment, start_us=int(after.time[0]))
    across, _ = check_noise(after, state, segment, limits)
    anew, _ = check_noise(after, state, later, limits)

    assert across[0].failed[1:10].all()
    assert not anew[0].failed.any()
    assert anew[0].unrun.tolist() == [True] * 10 + [False] * 10


def numbers_at(minutes: np.ndarray[tuple[int, ...], np.dtype[np.int64]], value: Floats) -> Numbers:
    """Values at whole minutes from the start of the examples."""
    return Numbers(np.arange(len(value)), START_US + minutes * WIDTH_US, value)


@settings(deadline=None)
@given(
    steps=st.lists(st.sampled_from([1.0, 20.0, 60.0, 61.5, 130.0, 900.0]), min_size=1, max_size=60),
    values=st.lists(st.floats(-1e4, 1e4), min_size=60, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=4),
)
def test_deviation_is_what_numpy_finds_and_the_same_bits_cut_anywhere(
    steps: list[float], values: list[float], cuts: list[int]
) -> None:
    """Against numpy.std over each window in full; state and observed values equal at any cut."""
    one = plan(noise_high=1e3, noise_low=1.0, **SPAN)
    segment, limits = one.gauges[0].segments[0], one.gauges[0].limits
    times = np.cumsum(steps)
    value = np.array(values[: len(times)])
    whole = Numbers(np.arange(len(times)), START_US + np.rint(times * 1e6).astype(np.int64), value)

    (noisy, _), state = check_noise(whole, None, segment, limits)
    found, after = pieces(whole, cuts, one.gauges[0].limits)

    assert noisy.observed is not None
    expected = deviations(times, value)
    np.testing.assert_array_equal(np.isnan(noisy.observed), np.isnan(expected))
    np.testing.assert_allclose(noisy.observed, expected, 1e-9, 1e-9)
    np.testing.assert_array_equal(found, noisy.observed)
    assert after == state


def pieces(whole: Numbers, cuts: list[int], limits: Limits) -> tuple[Floats, NoiseState | None]:
    """Observed deviations of the pieces with the state through JSON between them."""
    segment = plan(noise_high=1.0, **SPAN).gauges[0].segments[0]
    state: NoiseState | None = None
    found = []
    for rows in np.split(np.arange(len(whole)), sorted(min(c, len(whole)) for c in cuts)):
        part = Numbers(rows, whole.time[rows], whole.value[rows])
        outcomes, state = check_noise(part, state, segment, limits)
        saved = ChainState(gauges={"x": GaugeState(noise=state)}).to_json()
        state = ChainState.from_json(saved).gauges["x"].noise
        assert outcomes[0].observed is not None
        found.append(outcomes[0].observed)
    return np.concatenate(found), state


def test_rows_cut_anywhere_carry_the_same_bits_through_the_chain() -> None:
    """Live, in single readings: the flags of the whole."""
    one = plan(noise_high=0.9, noise_low=0.2, **SPAN)
    rng = np.random.default_rng(11)
    values = rng.normal(0.0, np.repeat([0.1, 0.5, 1.5], 30))
    block = stream(np.cumsum(rng.uniform(30.0, 90.0, 90)).round(3), values)

    whole, state = run_chain(block, initial_state(one), one)
    parts, after = run_cut(one, block, list(range(1, 90)))

    assert parts.column("tests").tolist() == whole.column("tests").tolist()
    assert sum(has(whole, "noise")) > 10
    assert sum(has(whole, "attenuated")) > 10
    assert after.to_json() == state.to_json()


def test_sums_of_a_slice_that_came_in_pieces_have_the_bits_of_the_whole() -> None:
    """Nine values a slice, whose sums depend on their order, one at a time and all at once."""
    rng = np.random.default_rng(23)
    value = rng.normal(size=120) * 10.0 ** rng.uniform(-3.0, 3.0, 120)
    whole = Numbers(np.arange(120), START_US + np.arange(120) * 7_000_000, value)
    one = plan(noise_high=1.0, **SPAN)
    segment, limits = one.gauges[0].segments[0], one.gauges[0].limits

    (noisy,), state = check_noise(whole, None, segment, limits)
    for cuts in (list(range(120)), list(range(0, 120, 4)), [31, 32, 77]):
        found, after = pieces(whole, cuts, limits)

        assert after == state
        np.testing.assert_array_equal(found, noisy.observed)


def test_distance_of_two_memories_bounds_what_it_moves() -> None:
    """Every later deviation differs by no more than the distance says."""
    one = plan(noise_high=1.0, **SPAN)
    segment, limits = one.gauges[0].segments[0], one.gauges[0].limits
    rng = np.random.default_rng(5)
    minutes, values = np.arange(25), rng.normal(size=25)
    _, first = check_noise(numbers_at(minutes, values), None, segment, limits)
    _, second = check_noise(
        numbers_at(minutes, values + 0.01 * rng.normal(size=25)), None, segment, limits
    )
    later = numbers_at(np.arange(25, 40), rng.normal(size=15))

    (a,), _ = check_noise(later, first, segment, limits)
    (b,), _ = check_noise(later, second, segment, limits)
    bound = state_distance(with_noise(first), with_noise(second), one)

    assert a.observed is not None
    assert b.observed is not None
    moved = float(np.max(np.abs(a.observed - b.observed)))
    assert 0.0 < moved <= bound < 0.1
    assert state_distance(with_noise(first), with_noise(None), one) == float("inf")
    assert state_distance(with_noise(first), with_noise(None), plan()) == 0.0


def with_noise(noise: NoiseState | None) -> ChainState:
    """A state of the sensor with this memory."""
    return ChainState(gauges={KEY: GaugeState(last_time=1, noise=noise)})


def test_memory_of_another_span_is_of_no_use() -> None:
    """Its slices are counted in another width: the test starts anew, and lets go of the old."""
    short, long = plan(noise_high=1.0, **SPAN), plan(noise_high=1.0, noise_s=1200.0)
    segment = short.gauges[0].segments[0]
    _, state = check_noise(
        numbers_at(np.arange(20), np.zeros(20)), None, segment, short.gauges[0].limits
    )

    outcomes, after = check_noise(
        numbers_at(np.arange(20, 50), np.zeros(30)), state, segment, long.gauges[0].limits
    )

    assert outcomes[0].unrun.tolist() == [True] * 20 + [False] * 10
    assert after is not None
    assert (after.width, after.since) == (120_000_000, START_US + 20 * WIDTH_US)
