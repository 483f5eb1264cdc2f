"""On-delay, off-delay, latching and re-alarm, each along a timeline worked out by hand."""

from __future__ import annotations

from tests.alarms.examples import Bench, Row, rule, rule_set, story

UP, DOWN = 1100.0, 500.0


def rows(*pairs: tuple[float, float]) -> list[Row]:
    """Rows of (second, value) with u = 1."""
    return [(second, value, 1.0) for second, value in pairs]


def test_on_delay_runs_from_the_first_to_a_later_exceeding_reading() -> None:
    """Exceeding at 10, 12, 15 with a delay of 5 s raises at 15, having occurred at 10."""
    bench = Bench(rule_set(rule(on_delay_s=5.0)))

    assert bench.rows(rows((9, DOWN), (10, UP), (12, UP), (14.9, UP))) == []
    told = bench.rows(rows((15, UP)))
    assert story(told) == [("occurred", 10.0)]


def test_a_normal_reading_ends_what_is_pending() -> None:
    """The delay starts anew after 13: 14 to 19 is the first stretch of 5 s."""
    bench = Bench(rule_set(rule(on_delay_s=5.0)))

    bench.rows(rows((10, UP), (12, UP), (13, DOWN), (14, UP), (18, UP)))
    bench.rows(rows((19, UP)))

    assert story(bench.told) == [("occurred", 14.0)]


def test_inside_the_deadband_is_not_exceeding() -> None:
    """While pending, 990 (limit 1000, deadband 50) ends the stretch though it is not back."""
    bench = Bench(rule_set(rule(on_delay_s=5.0, deadband=50.0)))

    assert bench.rows(rows((0, UP), (3, 990.0), (6, UP), (10, UP))) == []


def test_off_delay_runs_by_the_readings() -> None:
    """Back from 20 to 30 with a delay of 10 s returns; the one back at 12 was too short."""
    bench = Bench(rule_set(rule(off_delay_s=10.0)))

    bench.rows(rows((10, UP), (12, DOWN), (15, UP), (20, DOWN), (29, DOWN)))
    bench.rows(rows((30, DOWN)))

    assert story(bench.told) == [("occurred", 10.0), ("returned", 20.0)]


def test_tick_completes_the_on_delay_while_no_reading_comes() -> None:
    """Received at 100, held until 105; a tick before that does nothing."""
    bench = Bench(rule_set(rule(on_delay_s=5.0)))
    bench.rows(rows((99, UP)), received_s=100)

    assert bench.tick(104.9) == []
    told = bench.tick(105)
    assert story(told) == [("occurred", 99.0)]
    assert (told[0].value, told[0].crossing) == (UP, "value")
    assert told[0].detail == "no newer reading: the last one held for the on-delay"
    assert bench.rows(rows((106, UP))) == []


def test_tick_completes_the_off_delay_while_no_reading_comes() -> None:
    """Back at 20, held for 10 s."""
    bench = Bench(rule_set(rule(off_delay_s=10.0)))
    bench.rows(rows((10, UP), (20, DOWN)))

    assert bench.tick(29.9) == []
    told = bench.tick(30)
    assert story(told) == [("returned", 20.0)]
    assert told[0].value == DOWN


def test_six_hours_that_arrive_at_once_raise_no_false_alarm() -> None:
    """
    A reading an hour for six hours, one of them beyond the limit, received within a second.

    By the readings' time the delay of 60 s is long over when the next batch comes, but nothing
    was held for 60 s.
    """
    bench = Bench(rule_set(rule(on_delay_s=60.0), rule("quiet", "silent", after_s=7200.0)))
    bench.tick(21_599)
    bench.rows(rows((0, DOWN), (3600, UP)), received_s=21_600)

    assert bench.tick(21_601) == []
    assert bench.rows(rows((7200, DOWN), (10_800, DOWN)), received_s=21_601.5) == []
    assert bench.tick(21_700) == []


def test_six_hours_that_arrive_at_once_raise_what_truly_lasted() -> None:
    """An excursion of 120 s in a backlog is raised with the time at which it occurred."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))

    bench.rows(rows((0, DOWN), (3600, UP), (3630, UP), (3720, UP), (3780, DOWN)), received_s=21_600)

    assert story(bench.told) == [("occurred", 3600.0), ("returned", 3780.0)]
    assert bench.standing() == "returned"


def test_a_latching_alarm_waits_for_acknowledgement_and_reset() -> None:
    """B → E → F → A, and a new excursion on the way raises again."""
    bench = Bench(rule_set(rule(latching=True)))

    bench.rows(rows((0, UP), (1, DOWN)))
    assert bench.standing() == "latched_unacknowledged"
    assert not bench.act("reset", 2)
    assert bench.act("ack", 3)
    assert bench.standing() == "latched_acknowledged"
    bench.rows(rows((4, UP), (5, DOWN)))
    assert bench.standing() == "latched_unacknowledged"
    assert bench.act("ack", 6)
    assert bench.act("reset", 7)
    assert bench.standing() == "normal"


def test_a_new_excursion_raises_again_before_the_last_was_acknowledged() -> None:
    """Returned, unacknowledged, then exceeding again: told again."""
    bench = Bench(rule_set(rule()))

    bench.rows(rows((0, UP), (1, DOWN), (2, UP)))

    assert [(told.before, told.after) for told in bench.told] == [
        ("normal", "unacknowledged"),
        ("unacknowledged", "returned"),
        ("returned", "unacknowledged"),
    ]


def test_an_acknowledged_alarm_returns_to_normal() -> None:
    """B → C → A."""
    bench = Bench(rule_set(rule()))
    bench.rows(rows((0, UP)))
    bench.act("ack", 1)

    bench.rows(rows((2, UP), (3, DOWN)))

    assert bench.standing() == "normal"
