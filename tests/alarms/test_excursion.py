"""Excursions found in sealed results, and what of them is raised late."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.alarms.engine import Excursion, apply_excursion, excursions
from pipeline.alarms.state import ACTIVATIONS_KEPT
from pipeline.blocks import FAIL, Results
from tests.alarms.examples import Bench, Row, at_us, results, rule, rule_set, seconds, story

UP, DOWN = 1100.0, 500.0
SEALED: list[Row] = [
    (0, DOWN, 10.0),
    (10, UP, 10.0),
    (20, 1300.0, 10.0),
    (70, 1250.0, 10.0),
    (80, DOWN, 10.0),
    (90, UP, 10.0),
    (100, DOWN, 10.0),
]


def late(
    bench: Bench, found: Excursion, now_s: float = 500.0, **how: bool
) -> list[tuple[str, float]]:
    """Apply a finding and tell what it did."""
    told, bench.state = apply_excursion(found, at_us(now_s), bench.state, bench.rules, **how)
    bench.told += told
    return story(told)


def found(rows: list[Row], **changes: Any) -> list[Excursion]:
    """The excursions in these rows with an on-delay of 60 s."""
    return list(excursions(results(rows), rule_set(rule(on_delay_s=60.0, **changes))))


def test_only_what_lasted_for_the_on_delay_is_an_excursion() -> None:
    """10 to 70 lasts 60 s and returned at 80, its peak 1300 at 20; 90 lasts nothing."""
    one = found(SEALED)

    assert [(seconds(e.occurred_us), seconds(e.until_us)) for e in one] == [(10.0, 80.0)]
    assert (one[0].value, one[0].u, one[0].limit) == (1300.0, 10.0, 1000.0)
    assert (one[0].alarm, one[0].crossing) == ("high.g1", "value")


def test_peak_is_that_of_the_whole_excursion() -> None:
    """A higher value after the raise counts, on the low side too."""
    rows: list[Row] = [(0, -1100.0, 1.0), (60, -1101.0, 1.0), (90, -1500.0, 2.0), (99, DOWN, 1.0)]

    one = found(rows, low=-1000.0)

    assert (one[0].value, one[0].u, one[0].limit) == (-1500.0, 2.0, -1000.0)


def test_gauge_that_failed_while_pending_is_an_excursion() -> None:
    """Pending for 5 s, then dead, never back: until the last row."""
    one = found([(0, DOWN, 1.0), (10, UP, 1.0), (15, None, None, FAIL), (30, None, None, FAIL)])

    assert [(seconds(e.occurred_us), seconds(e.until_us)) for e in one] == [(10.0, 30.0)]
    assert "gauge failed while pending" in one[0].detail


def test_gauge_faults_are_found_too() -> None:
    """A failure that only the sealed results show is an excursion without a value."""
    rules = rule_set(rule("fault", "gauge_fault"))

    one = excursions(results([(0, DOWN, 1.0), (1, None, None, FAIL), (9, DOWN, 1.0)]), rules)

    assert [(e.alarm, seconds(e.until_us), e.value) for e in one] == [("fault.g1", 9.0, None)]


def test_no_rows_hold_no_excursion() -> None:
    """An empty block is fine."""
    assert excursions(Results.empty(), rule_set(rule())) == ()


def test_a_missed_excursion_is_raised_late_with_both_times() -> None:
    """It occurred and returned; somebody must still acknowledge it."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))

    assert late(bench, found(SEALED)[0]) == [("occurred", 10.0), ("returned", 80.0)]
    told = bench.told[0]
    assert (seconds(told.detected_us), told.late, told.retrospective) == (500.0, True, False)
    assert (told.value, told.crossing, told.after) == (1300.0, "value", "unacknowledged")
    assert bench.standing() == "returned"


def test_the_same_finding_twice_is_told_once() -> None:
    """Also when the second seal saw it longer, and after a restart."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    one = found(SEALED)[0]
    late(bench, one)
    bench.restart()
    longer = Excursion.from_facts(one.to_facts() | {"until_us": at_us(120)})

    assert late(bench, one) == []
    assert late(bench, longer) == []
    after = Excursion.from_facts(
        one.to_facts() | {"occurred_us": at_us(115), "until_us": at_us(130)}
    )
    assert late(bench, after) == []
    assert [seconds(a.until_us or 0) for a in bench.state.alarms["high.g1"].activations] == [130.0]


def test_what_live_evaluation_raised_is_not_told_again() -> None:
    """An excursion that overlaps a live activation, closed or open, adds nothing."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows(SEALED)
    one = found(SEALED)[0]

    assert len(bench.told) == 2
    assert late(bench, one) == []
    bench.rows([(200, UP, 1.0), (260, UP, 1.0)])
    ongoing = Excursion.from_facts(
        one.to_facts() | {"occurred_us": at_us(195), "until_us": at_us(230)}
    )
    assert late(bench, ongoing) == []


def test_a_finding_makes_certain_what_is_pending() -> None:
    """Late rows show that the pending condition began 90 s ago: raised once, and stays."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(100, UP, 1.0)])
    one = found([(10, UP, 1.0), (80, UP, 1.0), (100, UP, 1.0)])[0]

    assert late(bench, one, 101) == [("occurred", 10.0)]
    assert bench.told[0].late
    bench.rows([(161, UP, 1.0)])
    bench.tick(1000)
    assert story(bench.rows([(1001, DOWN, 1.0)])) == [("returned", 1001.0)]
    assert [t.event for t in bench.told] == ["occurred", "returned"]


def test_an_older_excursion_of_a_standing_alarm_is_a_re_alarm() -> None:
    """Acknowledged and active because of another excursion: unacknowledged again."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(200, UP, 1.0), (260, UP, 1.0)])
    bench.act("ack", 270)

    assert late(bench, found(SEALED)[0]) == [("re_alarmed", 10.0)]
    assert bench.standing() == "unacknowledged"


def test_a_latching_alarm_latches_late_too() -> None:
    """A late excursion must be reset like any other."""
    bench = Bench(rule_set(rule(on_delay_s=60.0, latching=True)))
    late(bench, found(SEALED)[0])

    assert bench.standing() == "latched_unacknowledged"


def test_shelved_alarms_keep_late_excursions_in_the_journal() -> None:
    """Nothing is told, all is journalled."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.act("shelve", 1, until_s=1000.0)

    assert late(bench, found(SEALED)[0]) == [("occurred", 10.0), ("returned", 80.0)]
    assert bench.standing() == "shelved"


def test_a_rebuild_marks_what_it_adds() -> None:
    """Retrospective is told from late."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    late(bench, found(SEALED)[0], retrospective=True)

    assert [(t.late, t.retrospective) for t in bench.told] == [(False, True)] * 2


def test_an_alarm_that_is_gone_adds_nothing() -> None:
    """A finding of a rule that left the configuration changes no alarm."""
    bench = Bench(rule_set(rule("other")))

    assert late(bench, found(SEALED)[0]) == []


def test_what_is_older_than_the_record_is_told_with_a_doubt() -> None:
    """After 200 later activations nobody can say whether it was told: told, and said so."""
    bench = Bench(rule_set(rule()))
    bench.rows([(1000 + i, DOWN if i % 2 else UP, 1.0) for i in range(2 * ACTIVATIONS_KEPT)])

    assert len(late(bench, found(SEALED)[0], 5000)) == 2
    assert "may have been told before" in bench.told[-2].detail
    assert len(bench.state.alarms["high.g1"].activations) == ACTIVATIONS_KEPT


@pytest.mark.parametrize("bits", [(), ("late",)])
def test_sealed_rows_are_judged_whether_they_came_late_or_not(bits: tuple[str, ...]) -> None:
    """The bit `late` is live only."""
    block = results(SEALED, tests=bits)

    assert len(excursions(block, rule_set(rule(on_delay_s=60.0)))) == 1
