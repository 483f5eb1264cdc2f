"""Invariant N4 on the engine alone: whatever the blocks, ticks and restarts, nothing is lost."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.alarms.engine import RuleSet, apply_excursion, excursions
from pipeline.blocks import sort_results
from tests.alarms.examples import Bench, at_us, point, results, rule, rule_set, story, together
from tests.alarms.streams import DEAD, DEADBAND, EXCEEDS, LIMIT, Stream, model_story, streams

DELAYS = st.sampled_from([0.0, 10.0, 30.0])


def level(on_s: float, off_s: float, **changes: Any) -> RuleSet:
    """A level rule with these delays, for g1 to g3."""
    points = tuple(point(name) for name in ("g1", "g2", "g3"))
    made = rule(high=LIMIT, deadband=DEADBAND, on_delay_s=on_s, off_delay_s=off_s, **changes)
    return rule_set(made, rule("quiet", "silent", after_s=500.0), points=points)


def levels(bench: Bench) -> list[tuple[str, float]]:
    """What the level rule at g1 told."""
    return story([told for told in bench.told if told.alarm == "high.g1"])


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=300)
@given(streams(), DELAYS, DELAYS, st.booleans())
def test_any_cut_and_restart_tells_what_the_model_tells(
    stream: Stream, on_s: float, off_s: float, restarts: bool
) -> None:
    """The same rows in any blocks give the model's activations, with its times."""
    bench = Bench(level(on_s, off_s))
    for first, stop in stream.pieces():
        bench.rows(stream.rows()[first:stop])
        if restarts:
            bench.restart()

    assert levels(bench) == model_story(stream, on_s, off_s)


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.tuples(streams(), streams(), streams()), DELAYS)
def test_points_do_not_touch_each_other(three: tuple[Stream, ...], on_s: float) -> None:
    """Three points in one block tell what each tells alone."""
    bench = Bench(level(on_s, 0.0))
    names = ("g3", "g1", "g2")
    bench.batch(together({n: s.rows() for n, s in zip(names, three, strict=True)}), 2000)

    for name, stream in zip(names, three, strict=True):
        told = [t for t in bench.told if t.alarm == f"high.{name}"]
        assert story(told) == model_story(stream, on_s, 0.0)


def must_be_raised(stream: Stream, stop: int, on_s: float) -> bool:
    """Do the rows before `stop` end in a stretch that lasted for the on-delay, or died in it?"""
    row = stop - 1
    died = False
    while row >= 0 and stream.kinds[row] in DEAD:
        died, row = True, row - 1
    last = row
    while row >= 0 and stream.kinds[row] in EXCEEDS:
        row -= 1
    if row == last:
        return False
    return died or stream.times[last] - stream.times[row + 1] >= on_s


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=300)
@given(streams(), DELAYS, DELAYS, st.data())
def test_ticks_clock_steps_and_restarts_lose_nothing(
    stream: Stream, on_s: float, off_s: float, data: st.DataObject
) -> None:
    """
    With ticks at any time between, what lasted for its on-delay is raised when it did, and
    nothing is raised that no exceeding reading began.
    """
    bench = Bench(level(on_s, off_s))
    now_s = 0.0
    for first, stop in stream.pieces():
        now_s += data.draw(st.integers(-4000, 100))
        bench.rows(stream.rows()[first:stop], received_s=now_s)
        if must_be_raised(stream, stop, on_s):
            assert bench.state.alarms["high.g1"].condition.is_present
        for step in data.draw(st.lists(st.integers(-100, 700), max_size=3)):
            now_s += step
            bench.tick(now_s)
        bench.restart()

    began = {float(t) for t, k in zip(stream.times, stream.kinds, strict=True) if k in EXCEEDS}
    told = levels(bench)
    assert {second for event, second in told if event == "occurred"} <= began
    assert [e for e, _ in told] == [("occurred", "returned")[i % 2] for i in range(len(told))]


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(streams(), DELAYS, st.integers(0, 40))
def test_holding_raises_what_is_pending_in_the_end(stream: Stream, on_s: float, late: int) -> None:
    """When nothing comes any more, an excursion that is still open is raised by ticks alone."""
    bench = Bench(level(on_s, 0.0))
    bench.rows(stream.rows(), received_s=2000)

    bench.tick(2000 + late)
    bench.tick(2000 + late + on_s)

    expects = stream.kinds[-1] in EXCEEDS
    assert bench.state.alarms["high.g1"].condition.is_present or not expects


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(streams(), DELAYS, DELAYS)
def test_a_seal_finds_exactly_what_live_evaluation_raised(
    stream: Stream, on_s: float, off_s: float
) -> None:
    """`excursions` gives the live activations of the same rows; applying them adds nothing."""
    bench = Bench(level(on_s, off_s))
    for first, stop in stream.pieces():
        bench.rows(stream.rows()[first:stop])
    found = excursions(sort_results(results(stream.rows())), bench.rules)
    raised = [told.occurred_us for told in bench.told if told.event == "occurred"]

    assert [one.occurred_us for one in found] == raised
    for one in found:
        told, bench.state = apply_excursion(one, at_us(9000), bench.state, bench.rules)
        assert told == ()


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(streams(), st.sets(st.integers(0, 39)), DELAYS)
def test_rows_that_came_late_are_raised_by_the_seal_once(
    stream: Stream, late: set[int], on_s: float
) -> None:
    """Whatever rows live evaluation had to skip, after the seal each excursion is on record."""
    bench = Bench(level(on_s, 0.0))
    for i, row in enumerate(stream.rows()):
        bench.rows([row], tests=["late"] if i in late else [])
    found = excursions(results(stream.rows()), bench.rules)
    for one in (*found, *found):
        told, bench.state = apply_excursion(one, at_us(9000), bench.state, bench.rules)
        bench.told += told

    kept = bench.state.alarms["high.g1"].activations
    for one in found:
        assert any(
            a.occurred_us <= one.until_us and (a.until_us or one.occurred_us) >= one.occurred_us
            for a in kept
        )
    assert sum(told.event in ("occurred", "re_alarmed") for told in bench.told) == len(kept)


ACTS = ("ack", "reset", "shelve", "unshelve", "suppress", "release", "out_of_service")


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(streams(), st.booleans(), st.data())
def test_state_and_condition_never_disagree(
    stream: Stream, latching: bool, data: st.DataObject
) -> None:
    """Whatever people do, unless put aside an alarm is active exactly while its condition is."""
    bench = Bench(level(10.0, 10.0, latching=latching))
    for (first, stop), number in zip(stream.pieces(), range(99), strict=False):
        now_s = 100.0 * number + 3000
        bench.rows(stream.rows()[first:stop], received_s=now_s)
        for kind in data.draw(st.lists(st.sampled_from((*ACTS, "return_to_service")), max_size=3)):
            bench.act(kind, now_s + 1, until_s=now_s + 150)
        bench.tick(now_s + data.draw(st.integers(2, 99)))
        record = bench.state.alarms["high.g1"]
        if bench.standing() not in ("shelved", "suppressed", "out_of_service"):
            is_active = bench.standing() in ("unacknowledged", "acknowledged")
            assert is_active is record.condition.is_present
        is_open = any(activation.until_us is None for activation in record.activations)
        assert is_open is record.condition.is_present
