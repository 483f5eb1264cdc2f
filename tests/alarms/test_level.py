"""Level rules: what counts as exceeded, what crossed, deadband, missing uncertainty, lateness."""

from __future__ import annotations

import math

import pytest

from pipeline.blocks import FAIL
from tests.alarms.examples import Bench, Row, rule, rule_set, story, together

PLAIN = {"compare": "plain", "compare_reason": "agreed with the engineer"}


@pytest.mark.parametrize(
    ("value", "u", "exceeds"),
    [
        (980.0, 10.0, False),  # 980 + 20 = 1000: at the limit is not beyond it
        (980.5, 10.0, True),  # 1000.5
        (1000.5, 0.0, True),
        (999.5, 0.0, False),
    ],
)
def test_guarded_high_compares_value_plus_twice_u(value: float, u: float, exceeds: bool) -> None:
    """A guarded high limit is exceeded when value + 2·u is above it."""
    assert bool(Bench(rule_set(rule())).rows([(0, value, u)])) is exceeds


def test_at_the_limit_is_not_beyond_it_for_a_pending_alarm_either() -> None:
    """980 + 20 = 1000 ends the stretch that 1100 began, so that 5 s are not reached."""
    bench = Bench(rule_set(rule(on_delay_s=5.0)))

    assert bench.rows([(0, 1100.0, 10.0), (5, 980.0, 10.0)]) == []
    assert bench.tick(100) == []


@pytest.mark.parametrize(
    ("value", "u", "exceeds"), [(-980.0, 10.0, False), (-980.5, 10.0, True), (980.5, 10.0, False)]
)
def test_guarded_low_compares_value_minus_twice_u(value: float, u: float, exceeds: bool) -> None:
    """A guarded low limit is exceeded when value - 2·u is below it."""
    bench = Bench(rule_set(rule(high=None, low=-1000.0)))

    assert bool(bench.rows([(0, value, u)])) is exceeds


def test_plain_compares_the_value_alone() -> None:
    """With plain comparing u makes no difference."""
    bench = Bench(rule_set(rule(**PLAIN)))

    assert bench.rows([(0, 999.0, 400.0), (1, 1000.0, 400.0)]) == []
    assert [told.crossing for told in bench.rows([(2, 1000.5, 400.0)])] == ["value"]


def test_value_crossing_is_told_with_its_numbers() -> None:
    """A raise carries the reading, its u, the limit, the unit, both times and the priority."""
    told = Bench(rule_set(rule())).rows([(0, 900.0, 10.0), (1, 1010.0, 10.0)], received_s=5)[0]

    assert (told.crossing, told.value, told.u, told.limit) == ("value", 1010.0, 10.0, 1000.0)
    assert (told.unit, told.priority, told.point, told.rule) == ("µm/m", "high", "g1", "high")
    assert told.detected_us - told.occurred_us == 4_000_000
    assert (told.before, told.after, told.late, told.retrospective, told.by) == (
        "normal",
        "unacknowledged",
        False,
        False,
        "",
    )


def test_margin_that_crosses_because_the_value_moved_is_a_margin() -> None:
    """From 900 ± 20 to 985 ± 20 the value moved by 85 and k·u not at all."""
    told = Bench(rule_set(rule())).rows([(0, 900.0, 10.0), (1, 985.0, 10.0)])[0]

    assert told.crossing == "margin"
    assert "margin of 20 µm/m crossed; the value itself is within its limit" in told.detail


def test_margin_that_crosses_because_u_grew_is_said_so() -> None:
    """From 900 ± 20 to 910 ± 120 the value moved by 10 and k·u by 100."""
    told = Bench(rule_set(rule())).rows([(0, 900.0, 10.0), (1, 910.0, 60.0)])[0]

    assert told.crossing == "margin_grew"
    assert "the uncertainty grew: k·u from 20 to 120 µm/m" in told.detail


def test_growth_is_told_also_when_the_normal_reading_came_a_batch_before() -> None:
    """The last normal reading is remembered across batches and a restart, low side as well."""
    bench = Bench(rule_set(rule(high=None, low=-1000.0)))
    bench.rows([(0, -900.0, 10.0)])
    bench.restart()

    assert [told.crossing for told in bench.rows([(1, -905.0, 60.0)])] == ["margin_grew"]


def test_margin_of_the_very_first_reading_is_a_margin() -> None:
    """Without a normal reading before it nothing can be said about growth."""
    assert Bench(rule_set(rule())).rows([(0, 985.0, 10.0)])[0].crossing == "margin"


@pytest.mark.parametrize("flag", [2, 3])
def test_suspect_and_unchecked_values_are_watched_like_any_other(flag: int) -> None:
    """Flags 2 and 3 raise just as flag 1."""
    assert len(Bench(rule_set(rule())).rows([(0, 1010.0, 1.0, flag)])) == 1


def test_without_u_the_value_stands_alone_and_the_detail_says_so() -> None:
    """A guarded rule whose u is missing is not silenced."""
    bench = Bench(rule_set(rule()))

    assert bench.rows([(0, 999.0, None)]) == []
    told = bench.rows([(1, 1000.5, None)])[0]
    assert (told.crossing, told.u) == ("value", None)
    assert told.detail == "no uncertainty was given: compared by the value alone"


@pytest.mark.parametrize("value", [math.inf, 1.5e308])
def test_infinite_values_raise_and_stay_json(value: float) -> None:
    """No value is too large to be watched, kept and loaded again."""
    bench = Bench(rule_set(rule()))

    assert len(bench.rows([(0, value, 1e308)])) == 1
    before = bench.state
    bench.restart()
    assert bench.state == before


def test_deadband_holds_the_alarm_until_the_margin_is_well_below() -> None:
    """With deadband 50 and u 10 the value must fall below 1000 - 50 - 20 = 930."""
    bench = Bench(rule_set(rule(deadband=50.0)))
    rows: list[Row] = [(0, 1001.0, 10.0), (1, 960.0, 10.0), (2, 930.0, 10.0), (3, 929.5, 10.0)]

    bench.rows(rows)

    assert story(bench.told) == [("occurred", 0.0), ("returned", 3.0)]
    assert (bench.told[1].value, bench.told[1].limit) == (929.5, 1000.0)


def test_two_sided_rule_tells_the_limit_that_was_crossed() -> None:
    """Of ±1000 a compression of -1200 crosses the low one."""
    bench = Bench(rule_set(rule(low=-1000.0)))

    told = bench.rows([(0, -1200.0, 1.0)])[0]

    assert (told.limit, told.value, told.crossing) == (-1000.0, -1200.0, "value")


def test_swing_from_one_limit_to_the_other_is_one_excursion_with_its_furthest_value() -> None:
    """While pending +1100 is followed by -1300; what is told is -1300 against the low limit."""
    bench = Bench(rule_set(rule(low=-1000.0, on_delay_s=2.0)))

    bench.rows([(0, 1100.0, 1.0), (1, -1300.0, 1.0), (2, -1250.0, 1.0)])

    assert story(bench.told) == [("occurred", 0.0)]
    assert (bench.told[0].limit, bench.told[0].value) == (-1000.0, -1300.0)


def test_late_rows_do_not_move_the_level_rule() -> None:
    """Rows with the bit `late` are left to the seal."""
    bench = Bench(rule_set(rule()))

    assert bench.rows([(0, 5000.0, 1.0)], tests=["late"]) == []
    assert "g1" not in bench.state.points


def test_rows_of_one_batch_may_belong_to_many_points() -> None:
    """Each point has its own alarm; points without rules are ignored."""
    bench = Bench(rule_set(rule()))
    block = together({"g1": [(0, 1.0, 1.0), (1, 1200.0, 1.0)], "elsewhere": [(0, 9999.0, 1.0)]})

    assert [told.alarm for told in bench.batch(block, 1)] == ["high.g1"]
    assert set(bench.state.points) == {"g1"}


def test_excursion_at_a_time_that_stands_still_is_raised_by_holding() -> None:
    """
    A node's clock stands at 0; from 100 on it sends more than the limit: raised after 60 s of
    the station's time, though a reading between says that all is well.
    """
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(0, 10.0, 1.0)])
    for received_s, value in ((100, 1500.0), (130, 10.5), (150, 1600.0)):
        bench.rows([(0, value, 1.0)], received_s=received_s, tests=["contradiction"])
        bench.restart()

    assert bench.tick(159) == []
    assert story(bench.tick(160)) == [("occurred", 0.0)]
    assert (bench.told[0].value, bench.told[0].limit) == (1600.0, 1000.0)


def test_value_that_contradicts_another_takes_no_alarm_back() -> None:
    """Only a reading that is newer can say that the condition is over."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 1500.0, 1.0)])

    assert bench.rows([(0, 10.0, 1.0)], received_s=60, tests=["contradiction"]) == []
    assert bench.standing() == "unacknowledged"
    assert story(bench.rows([(120, 10.0, 1.0)])) == [("returned", 120.0)]


def test_value_that_stands_against_others_of_its_time_is_judged_when_it_is_newer() -> None:
    """The first of two values at a new time counts as any reading; the other one can raise."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 1500.0, 1.0)])

    told = bench.rows([(10, 10.0, 1.0), (10, 1700.0, 1.0)], tests=["contradiction"])

    assert story(told) == [("returned", 10.0), ("occurred", 10.0)]


def test_contradicting_failure_raises_what_is_pending() -> None:
    """A gauge that gives way at a time that has its value already can no longer tell."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(0, 1500.0, 1.0)])

    told = bench.rows([(0, None, None, FAIL)], received_s=5, tests=["contradiction"])

    assert story(told) == [("occurred", 0.0)]
