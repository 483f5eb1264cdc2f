"""
The state as JSON, and how far apart two states are.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.blocks import Results
from pipeline.derive.chain import (
    ChainState,
    compile_plan,
    initial_state,
    run_chain,
    state_distance,
)
from pipeline.derive.gauges import Plan
from pipeline.derive.series import Series
from pipeline.derive.state import FilmState, GaugeState, NoiseState
from pipeline.errors import StateVersionError
from tests.derive.examples import FULL, film, structure
from tests.derive.streams import floats, readings, slow

KEY = "C1|C1|P-C1"


def plan(**point: Any) -> Plan:
    """A film with everything, without tests on its value unless they are given."""
    return compile_plan(structure((film(),), (), (FULL,), points={"P-C1": point}))


def window(late: str = "", late_s: float = 0.0) -> ChainState:
    """State after ten hours; what came late is an hour of more strain, or of damper air."""
    return following(initial_state(plan()), 0.0, 36_000.0, late, late_s)[1]


def following(
    state: ChainState, start: float, end: float, late: str = "", late_s: float = 0.0
) -> tuple[Results, ChainState]:
    """Results of a window from a state, and the state after it."""
    t = np.arange(start, end, 60.0)
    changed = (t >= late_s) & (t < late_s + 3600.0)
    values = 10_000.0 + 20.0 * np.sin(t / 5000.0) + 60.0 * (changed & (late == "strain"))
    climate = {
        "ts": (t + 1.0, slow(t, 15.0, 5.0, 2.0)),
        "ta": (t + 2.0, slow(t, 14.0, 5.0, 2.0)),
        "rh": (t + 3.0, slow(t, 50.0, 9.0, 2.0) + 20.0 * (changed & (late == "humidity"))),
    }
    return run_chain(readings({"C1": (t, values), **climate}), state, plan())


def test_state_comes_back_from_json_to_the_last_bit() -> None:
    """Every number, and the text is the same again; nothing that JSON cannot say stands in it."""
    state = window()

    text = state.to_json()
    back = ChainState.from_json(text)

    assert back.gauges == state.gauges
    assert back.to_json() == text
    assert json.loads(text)["version"] == 1
    for name, series in state.joined.items():
        np.testing.assert_array_equal(back.joined[name].time, series.time)
        np.testing.assert_array_equal(back.joined[name].value, series.value)


def test_awkward_floats_come_back_exactly() -> None:
    """A third, the smallest number and a large one."""
    odd = GaugeState(
        last_time=-(2**62),
        last_value=1.0 / 3.0,
        watched=5e-324,
        film=FilmState(1, 0.1 + 0.2, 1e308, 0.3, 0.1, 7.0),
        noise=NoiseState(60, 3, (1, 2), (4, 1), (1.0 / 7.0, -0.0), (5e-324, 0.1), (1e200, 0.2)),
    )
    state = ChainState(gauges={"a|b|c": odd}, joined={"é": Series(np.array([1]), np.array([0.1]))})

    assert ChainState.from_json(state.to_json()).gauges["a|b|c"] == odd


@pytest.mark.parametrize(
    ("text", "found"),
    [('{"version": 7}', "7"), ("{}", "None"), ("[]", "unreadable"), ("not json", "unreadable")],
)
def test_text_of_another_version_is_refused(text: str, found: str) -> None:
    """Both versions and what to do are in the message."""
    with pytest.raises(StateVersionError) as refused:
        ChainState.from_json(text)

    assert f"saved chain state has version {found}, this software reads version 1" in str(
        refused.value
    )
    assert "spanwarden rebuild" in str(refused.value)


def test_equal_states_are_no_distance_apart() -> None:
    """Zero, through JSON too."""
    state = window()

    assert state_distance(state, ChainState.from_json(state.to_json()), plan()) == 0.0
    assert state_distance(initial_state(plan()), initial_state(plan()), plan()) == 0.0


@pytest.mark.parametrize("late", ["strain", "humidity"])
@pytest.mark.parametrize("late_s", [0.0, 18_000.0, 28_800.0])
def test_distance_bounds_what_the_difference_still_moves(late: str, late_s: float) -> None:
    """Two histories, one following window: no value or u differs by more than the distance."""
    plain, other = window(), window(late, late_s)
    bound = state_distance(plain, other, plan())

    first, _ = following(plain, 36_000.0, 72_000.0)
    second, _ = following(other, 36_000.0, 72_000.0)

    moved = max(
        float(np.max(np.abs(floats(first, name) - floats(second, name))))
        for name in ("value", "u", "mechanical", "total")
    )
    assert 0.0 < moved <= bound
    assert bound < 40.0 * moved


def test_distance_falls_as_memories_fade() -> None:
    """After twenty more hours of the same it is less; that is what ends a re-seal."""
    plain, other = window(), window("strain", 18_000.0)

    _, plain_later = following(plain, 36_000.0, 108_000.0)
    _, other_later = following(other, 36_000.0, 108_000.0)

    early = state_distance(plain, other, plan())
    late = state_distance(plain_later, other_later, plan())
    assert 0.0 < late < 0.05 * early


def test_distance_counts_what_tests_on_the_value_remember_only_where_there_are_any() -> None:
    """The newest value matters to the rate test, the flat window to the flat line test."""
    state = window()
    gauge = state.gauges[KEY]
    other = replace(gauge, watched=(gauge.watched or 0.0) + 3.0)
    flat = replace(gauge, flat_time=(1,), flat_value=(1.0,))
    steps = replace(state, gauges={KEY: other})

    assert state_distance(state, steps, plan()) == 0.0
    assert state_distance(state, steps, plan(rate_per_s=1.0)) == pytest.approx(3.0)
    assert state_distance(state, replace(state, gauges={KEY: flat}), plan()) == float("inf")


def test_distance_counts_the_value_before_the_last_where_spikes_are_tested() -> None:
    """It and its time matter to the spike test, the sequence to the clock test, to nothing else."""
    state = window()
    gauge = replace(state.gauges[KEY], earlier_time=1, earlier=5.0, last_sequence=7.0)
    one = replace(state, gauges={KEY: gauge})
    higher = replace(state, gauges={KEY: replace(gauge, earlier=9.0)})
    sooner = replace(state, gauges={KEY: replace(gauge, earlier_time=2)})
    counted = replace(state, gauges={KEY: replace(gauge, last_sequence=8.0)})

    assert state_distance(one, higher, plan()) == 0.0
    assert state_distance(one, higher, plan(spike_height=1.0)) == pytest.approx(4.0)
    assert state_distance(one, sooner, plan(spike_height=1.0)) == float("inf")
    assert state_distance(one, counted, plan()) == 0.0
    assert state_distance(one, counted, plan(clock_intervals=2.0)) == float("inf")


def test_states_that_cannot_be_compared_are_infinitely_far_apart() -> None:
    """Other gauges, other times, other values to be joined, a film that one lacks."""
    state = window()
    gauge = state.gauges[KEY]
    humidity = state.joined["rh"]
    moved = Series(humidity.time, humidity.value + 1e-9)
    others = [
        replace(state, gauges={}),
        replace(state, gauges={**state.gauges, "x": GaugeState()}),
        replace(state, gauges={KEY: replace(gauge, last_time=1)}),
        replace(state, gauges={KEY: replace(gauge, film=None)}),
        replace(state, gauges={KEY: replace(gauge, creep=None)}),
        replace(state, joined={**state.joined, "rh": moved}),
        replace(state, joined={}),
        replace(state, version=2),
    ]

    for other in others:
        assert state_distance(state, other, plan()) == float("inf")
