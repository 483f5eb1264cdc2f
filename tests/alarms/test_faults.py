"""Gauges that fail or say nothing: gauge_fault, silent, and level rules that cannot tell."""

from __future__ import annotations

import pytest

from pipeline.blocks import FAIL, MISSING, PASS
from tests.alarms.examples import Bench, Row, rule, rule_set, seconds, story

UP, DOWN = 1100.0, 500.0


@pytest.mark.parametrize(
    "dead",
    [(3, None, None, FAIL), (3, 20.0, 1.0, FAIL), (3, 20.0, 1.0, MISSING), (3, None, None, PASS)],
)
def test_gauge_that_dies_while_pending_raises_at_once(dead: Row) -> None:
    """Exceeding at 2, dead at 3: raised at 3 with a delay of 60 s, having occurred at 2."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))

    told = bench.rows([(1, DOWN, 1.0), (2, UP, 1.0), dead])

    assert story(told) == [("occurred", 2.0)]
    assert (told[0].value, told[0].crossing) == (UP, "value")
    assert "gauge failed while pending" in told[0].detail


def test_failed_tests_are_named_when_a_pending_gauge_dies() -> None:
    """The notice says what is wrong with the gauge."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(2, UP, 1.0)])

    told = bench.rows([(3, None, None, FAIL)], tests=["open_circuit"])

    assert told[0].detail == "gauge failed while pending: open_circuit"


def test_gauge_that_dies_while_normal_raises_no_level_alarm() -> None:
    """Neither a null nor a failed value beyond the limit is an excursion of the level rule."""
    bench = Bench(rule_set(rule()))

    assert bench.rows([(1, DOWN, 1.0), (2, None, None, FAIL), (3, -99_999.0, 1.0, FAIL)]) == []


def test_failed_values_do_not_end_an_active_alarm() -> None:
    """NaN compares false, and yet the alarm stays until readings are truly back."""
    bench = Bench(rule_set(rule(off_delay_s=10.0)))
    bench.rows([(0, UP, 1.0)])

    assert bench.rows([(1, None, None), (20, 0.0, 0.0, FAIL), (40, None, None, MISSING)]) == []
    assert bench.tick(1000) == []
    bench.rows([(1001, DOWN, 1.0), (1011, DOWN, 1.0)])
    assert story(bench.told) == [("occurred", 0.0), ("returned", 1001.0)]


def test_a_failed_row_interrupts_the_way_back() -> None:
    """Back at 1, failed at 5, back at 8: the off-delay of 10 s counts from 8."""
    bench = Bench(rule_set(rule(off_delay_s=10.0)))
    bench.rows([(0, UP, 1.0), (1, DOWN, 1.0), (5, None, None, FAIL)])

    assert bench.tick(17) == []
    bench.rows([(8, DOWN, 1.0), (17, DOWN, 1.0)])
    assert len(bench.told) == 1
    assert story(bench.rows([(18, DOWN, 1.0)])) == [("returned", 8.0)]


def test_gauge_fault_raises_after_its_delay_and_names_the_tests() -> None:
    """Failed from 10 to 40 with a delay of 30 s; good from 50 to 60 returns after 10 s."""
    fault = rule("fault", "gauge_fault", on_delay_s=30.0, off_delay_s=10.0)
    bench = Bench(rule_set(fault))

    bench.rows([(0, DOWN, 1.0), (10, None, None, FAIL)], tests=["open_circuit"])
    bench.rows([(39, None, None, FAIL)], tests=["converter_rail"])
    assert bench.told == []
    bench.rows([(40, None, None, FAIL)], tests=["open_circuit"])
    bench.rows([(50, DOWN, 1.0, 3), (59, DOWN, 1.0), (60, DOWN, 1.0)])

    assert story(bench.told) == [("occurred", 10.0), ("returned", 50.0)]
    assert bench.told[0].detail == "failed tests: open_circuit, converter_rail"
    assert (bench.told[0].value, bench.told[0].limit, bench.told[0].crossing) == (None, None, "")


def test_one_good_row_ends_a_pending_gauge_fault() -> None:
    """Failed, good, failed: the delay starts anew."""
    bench = Bench(rule_set(rule("fault", "gauge_fault", on_delay_s=30.0)))

    bench.rows(
        [(0, None, None, FAIL), (20, DOWN, 1.0), (25, None, None, FAIL), (50, None, None, FAIL)]
    )

    assert bench.told == []


def test_rows_without_a_value_are_a_gauge_fault_whatever_their_flag() -> None:
    """A gauge of which nothing can be told for long is never taken for well."""
    bench = Bench(rule_set(rule("fault", "gauge_fault")))

    assert story(bench.rows([(0, None, None, 2)])) == [("occurred", 0.0)]
    assert bench.rows([(1, None, None, MISSING)]) == []
    assert bench.told[0].detail == "failed tests: no value"


def test_silence_is_raised_when_nothing_was_heard_for_so_long() -> None:
    """Heard at 100 (arrival, not the reading's time), silent at 700, heard again at 800."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.rows([(50, DOWN, 1.0)], received_s=100)

    assert bench.tick(699.9) == []
    told = bench.tick(702)
    assert story(told) == [("occurred", 700.0)]
    assert "no reading since 2026-05-28" in told[0].detail
    assert seconds(told[0].detected_us) == 702.0
    assert bench.tick(750) == []
    assert story(bench.rows([(790, DOWN, 1.0)], received_s=800)) == [("returned", 800.0)]


def test_a_point_that_was_never_heard_is_silent_from_the_start() -> None:
    """The time counts from the first batch or tick of the state."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.tick(0)

    assert bench.tick(599) == []
    assert bench.tick(600)[0].detail == "no reading since watching began, for 600 s"


def test_failed_rows_count_as_heard() -> None:
    """Silence means that nothing comes, not that what comes is bad."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.tick(0)
    bench.rows([(500, None, None, FAIL)], tests=["open_circuit"])

    assert bench.tick(1099) == []
    assert len(bench.tick(1100)) == 1
    assert len(bench.rows([(1101, None, None, FAIL)], tests=["open_circuit"])) == 1


@pytest.mark.parametrize(("time_s", "tests"), [(400, ["late"]), (500, ["contradiction"])])
def test_rows_that_are_not_newer_are_not_heard(time_s: float, tests: list[str]) -> None:
    """A clock that stands still, or went back, is silence, and nothing old takes it back."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.tick(0)
    bench.rows([(500, DOWN, 1.0)])
    bench.restart()
    bench.rows([(time_s, DOWN + 1.0, 1.0)], received_s=1000, tests=tests)

    assert len(bench.tick(1100)) == 1
    assert bench.rows([(time_s, DOWN + 2.0, 1.0)], received_s=1150, tests=tests) == []


def test_backlog_in_its_order_is_heard() -> None:
    """Readings of two hours ago that go on where the point stood are not silence."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.rows([(0, DOWN, 1.0)])
    bench.tick(700)

    assert story(bench.rows([(10, DOWN, 1.0)], received_s=7200)) == [("returned", 7200.0)]
    bench.rows([(20, DOWN, 1.0)], received_s=7500)
    assert bench.tick(8000) == []


def test_gauge_that_falls_silent_while_pending_raises_at_once() -> None:
    """Exceeding at 10, silent after 60 s: raised then, not after the on-delay of an hour."""
    level, quiet = rule(on_delay_s=3600.0), rule("quiet", "silent", after_s=60.0)
    bench = Bench(rule_set(level, quiet))
    bench.rows([(10, UP, 1.0)])

    assert bench.tick(69) == []
    told = bench.tick(70)
    assert [(t.alarm, t.event) for t in told] == [("quiet.g1", "occurred"), ("high.g1", "occurred")]
    assert story(told)[1] == ("occurred", 10.0)
    assert told[1].detail == "gauge silent while pending"


def test_silence_keeps_an_alarm_from_returning() -> None:
    """Back at 20, then silent: nobody knows, so the alarm stays."""
    level, quiet = rule(off_delay_s=3600.0), rule("quiet", "silent", after_s=60.0)
    bench = Bench(rule_set(level, quiet))
    bench.rows([(10, UP, 1.0), (20, DOWN, 1.0)])

    bench.tick(80)
    bench.tick(10_000)

    assert [told.alarm for told in bench.told] == ["high.g1", "quiet.g1"]
    assert bench.standing() == "unacknowledged"
