"""The state of the engine: fitting it to a configuration, saving it, refusing another version."""

from __future__ import annotations

import json

import pytest

from pipeline.alarms.engine import AlarmState, Transition, initial_state, reconcile
from pipeline.errors import StateVersionError
from tests.alarms.examples import Bench, at_us, point, rule, rule_set

UP = 1100.0


def refit(bench: Bench, *rules: object, points: object = None) -> list[Transition]:
    """Give the bench another configuration at 100 s."""
    bench.rules = rule_set(*rules, points=points or (point("g1"),))  # type: ignore[arg-type]
    told, bench.state = reconcile(bench.state, bench.rules, at_us(100))
    return list(told)


def test_a_removed_rule_ends_its_alarms_in_the_journal() -> None:
    """Whatever its state, an alarm that is watched no longer says so."""
    bench = Bench(rule_set(rule(), rule("other", high=2000.0)))
    bench.rows([(0, UP, 1.0)])

    told = refit(bench, rule("other", high=2000.0))

    assert [(t.alarm, t.event, t.before, t.after) for t in told] == [
        ("high.g1", "rule_removed", "unacknowledged", "removed")
    ]
    assert "nothing watches here" in told[0].detail
    assert refit(bench, rule("other", high=2000.0)) == []
    assert bench.rows([(101, UP, 1.0)]) == []


def test_a_removed_point_ends_its_alarms() -> None:
    """The rule is still there, the point is not."""
    bench = Bench(rule_set(rule(), points=(point("g1"), point("g2"))))

    assert [t.alarm for t in refit(bench, rule(), points=(point("g2"),))] == ["high.g1"]


def test_a_rule_that_comes_back_starts_normal_and_knows_what_was_told() -> None:
    """Its latch and state are gone with it; recent activations are not."""
    bench = Bench(rule_set(rule(latching=True)))
    bench.rows([(0, UP, 1.0)])
    refit(bench)
    refit(bench, rule(latching=True))

    record = bench.state.alarms["high.g1"]
    assert (record.state.value, record.is_latched, record.is_removed) == ("normal", False, False)
    assert [(a.occurred_us, a.until_us) for a in record.activations] == [(at_us(0), at_us(100))]
    assert len(bench.rows([(101, UP, 1.0)])) == 1


def test_new_rules_start_normal_without_a_word() -> None:
    """And their silence counts from then."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 1.0, 1.0)])
    bench.tick(5000)

    assert refit(bench, rule(), rule("quiet", "silent", after_s=600.0)) == []
    assert bench.standing("quiet.g1") == "normal"
    assert bench.tick(5599) == []
    assert len(bench.tick(5600)) == 1


def test_what_stays_keeps_its_state() -> None:
    """A changed limit and priority count from then on; a standing alarm stands."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, UP, 1.0)])
    bench.act("ack", 1)

    assert refit(bench, rule(high=2000.0, priority="critical")) == []
    assert bench.standing() == "acknowledged"
    told = bench.rows([(101, UP, 1.0)])
    assert [(t.event, t.priority) for t in told] == [("returned", "critical")]


def test_a_lowered_limit_is_not_taken_for_a_grown_uncertainty() -> None:
    """From 900 ± 20 to 840 ± 18 against a limit that is 850 now: u did not grow."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 900.0, 10.0)])
    refit(bench, rule(high=850.0))

    assert [t.crossing for t in bench.rows([(101, 840.0, 9.0)])] == ["margin"]


def test_station_alarms_go_with_their_rule() -> None:
    """And come back when a fault is named again."""
    bench = Bench(rule_set(rule("station", "station"), rule()))
    bench.tick(0, disk="full")

    assert [t.alarm for t in refit(bench, rule())] == ["station.disk"]
    assert bench.tick(101, disk="full") == []
    assert refit(bench, rule(), rule("station", "station")) == []
    assert [t.alarm for t in bench.tick(102, disk="full")] == ["station.disk"]


def test_state_goes_through_json_unchanged() -> None:
    """All kinds of memory survive: pending, latched, shelved, silent, station."""
    rules = (
        rule(latching=True),
        rule("slow", on_delay_s=60.0),
        rule("quiet", "silent"),
        rule("fault", "gauge_fault", off_delay_s=5.0),
        rule("station", "station"),
    )
    bench = Bench(rule_set(*rules))
    bench.rows([(0, UP, None), (1, None, None, 4), (2, UP, 0.1), (3, 1 / 3, 1e-9)])
    bench.tick(1000, disk="voll ✓")
    bench.act("shelve", 1001, until_s=2000.0)

    assert AlarmState.from_json(bench.state.to_json()) == bench.state
    json.loads(bench.state.to_json(), parse_constant=pytest.fail)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('{"version": 2}', "version 2"),
        ("{}", "version None"),
        ("[]", "version None"),
        ("", "version none"),
        ('{"version": 1, "alarms": 3}', "version none"),
    ],
)
def test_a_state_of_another_version_is_refused(text: str, found: str) -> None:
    """Both versions and the remedy are named."""
    with pytest.raises(StateVersionError) as caught:
        AlarmState.from_json(text)

    assert f"saved alarm state has {found}" in str(caught.value)
    assert "this software reads version 1" in str(caught.value)
    assert "go back to the release" in str(caught.value)


def test_states_are_never_changed_in_place() -> None:
    """An evaluation leaves the state that it was given as it was."""
    bench = Bench(rule_set(rule()))
    before = bench.state
    bench.rows([(0, UP, 1.0)])
    bench.tick(1)
    bench.act("ack", 2)

    assert before == initial_state(bench.rules)
    assert bench.state != before
