"""
The state as JSON, and how far apart two states are.
"""

from __future__ import annotations

import json
from dataclasses import replace

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
from pipeline.derive.state import FilmState, GaugeState
from pipeline.errors import StateVersionError
from tests.derive.examples import FULL, film, structure
from tests.derive.streams import Floats, floats, readings, slow

KEY = "C1|C1|P-C1"


def plan() -> Plan:
    """A film with everything, watched for its rate."""
    return compile_plan(
        structure((film(),), (), (FULL,), points={"P-C1": {"rate_per_s": 1.0, "flat_s": 600.0}})
    )


def window(start: float, spike_at: float | None = None) -> tuple[Results, Floats, ChainState]:
    """Ten hours from the start, then the state; a spike of an hour is what came late."""
    return _run(0.0, 36_000.0 + start, initial_state(plan()), spike_at)


def _run(
    start: float, end: float, state: ChainState, spike_at: float | None = None
) -> tuple[Results, Floats, ChainState]:
    t = np.arange(start, end, 60.0)
    values = 10_000.0 + 20.0 * np.sin(t / 5000.0)
    if spike_at is not None:
        values = values + 60.0 * ((t >= spike_at) & (t < spike_at + 3600.0))
    climate = {
        "ts": (t + 1.0, slow(t, 15.0, 5.0, 2.0)),
        "ta": (t + 2.0, slow(t, 14.0, 5.0, 2.0)),
        "rh": (t + 3.0, slow(t, 50.0, 9.0, 2.0)),
    }
    results, after = run_chain(readings({"C1": (t, values), **climate}), state, plan())
    return results, t, after


def test_state_comes_back_from_json_to_the_last_bit() -> None:
    """Every number, and the text is the same again; nothing that JSON cannot say stands in it."""
    _, _, state = window(0.0)

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
    _, _, state = window(0.0)

    assert state_distance(state, ChainState.from_json(state.to_json()), plan()) == 0.0
    assert state_distance(initial_state(plan()), initial_state(plan()), plan()) == 0.0


@pytest.mark.parametrize("spike_at", [0.0, 18_000.0, 28_800.0])
def test_distance_bounds_what_the_difference_still_moves(spike_at: float) -> None:
    """Two histories, one following window: no value or u differs by more than the distance."""
    _, _, plain = window(0.0)
    _, _, spiked = window(0.0, spike_at)
    bound = state_distance(plain, spiked, plan())

    first, _, _ = _run(36_000.0, 72_000.0, plain)
    second, _, _ = _run(36_000.0, 72_000.0, spiked)

    moved = max(
        float(np.max(np.abs(floats(first, name) - floats(second, name))))
        for name in ("value", "u", "mechanical", "total")
    )
    assert 0.0 < moved <= bound
    assert bound < 40.0 * moved


def test_distance_falls_as_memories_fade() -> None:
    """After ten more hours of the same it is less; that is what ends a re-seal."""
    _, _, plain = window(0.0)
    _, _, spiked = window(0.0, 18_000.0)

    _, _, plain_later = _run(36_000.0, 108_000.0, plain)
    _, _, spiked_later = _run(36_000.0, 108_000.0, spiked)

    early = state_distance(plain, spiked, plan())
    late = state_distance(plain_later, spiked_later, plan())
    assert 0.0 < late < 0.05 * early


def test_states_that_cannot_be_compared_are_infinitely_far_apart() -> None:
    """Other gauges, other times, other values to be joined, a film that one lacks."""
    _, _, state = window(0.0)
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
