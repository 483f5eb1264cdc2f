"""From rules to watches, and what is refused."""

from __future__ import annotations

import pytest

from pipeline.errors import ConfigError
from pipeline.site.models import Rule
from tests.alarms.examples import point, rule, rule_set

POINTS = (point("g1"), point("g2"), point("air", "°C"), point("deck.7"))


def test_patterns_become_one_alarm_a_point_with_the_unit() -> None:
    """A level rule's wildcard takes the points of its own unit, other kinds take all."""
    rules = rule_set(rule(), rule("quiet", "silent", points=("g*", "air")), points=POINTS)

    assert sorted(rules.watches) == [
        "high.deck.7",
        "high.g1",
        "high.g2",
        "quiet.air",
        "quiet.g1",
        "quiet.g2",
    ]


def test_numbers_are_those_of_the_rule() -> None:
    """Delays become microseconds, an absent limit is infinite, plain comparing has no margin."""
    plain = rule(compare="plain", compare_reason="agreed", on_delay_s=1.5, off_delay_s=60.0)
    watch = rule_set(plain).watches["high.g1"]

    assert (watch.delays.on_us, watch.delays.off_us) == (1_500_000, 60_000_000)
    assert (watch.high, watch.low, watch.k) == (1000.0, float("-inf"), 0.0)
    assert rule_set(rule()).watches["high.g1"].k == 2.0


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        (rule(high=None), "expected a limit"),
        (rule(high=1.0, low=2.0), "expected low below high"),
        (rule(low=900.0, deadband=50.0), "else it never returns"),
        (rule("quiet", "silent", after_s=0.0), "expected a time above 0"),
        (rule("quiet", "silent", after_s=None), "expected a time above 0"),
        (rule(deadband=-1.0), "found deadband -1; expected 0 or more"),
        (rule(on_delay_s=-1.0), "found on_delay_s -1; expected 0 or more"),
        (rule(points=("g9",)), 'found point "g9"; expected a point of points.csv'),
        (rule(points=("x*",)), "expected at least one point to watch"),
        (rule(points=("air",)), 'found point "air" in °C; expected a point in µm/m'),
        (rule(unit="kN"), "expected at least one point to watch"),
    ],
)
def test_a_rule_that_would_not_watch_is_refused(wrong: Rule, expected: str) -> None:
    """Each such rule is named with what was found and the remedy."""
    with pytest.raises(ConfigError) as caught:
        rule_set(wrong, points=POINTS)

    assert expected in str(caught.value)
    assert f'rule "{wrong.id}"' in str(caught.value)
    assert "Correct the rule" in str(caught.value)


def test_two_alarms_of_one_name_are_refused() -> None:
    """Ids must be unique, also between a station rule's faults and other rules' points."""
    points = (point("b.c"), point("c"))
    with pytest.raises(ConfigError) as caught:
        rule_set(rule("a"), rule("a.b"), points=points)
    with pytest.raises(ConfigError) as station:
        rule_set(rule("a", "station"), rule("a.b"), points=points)

    assert 'alarm "a.b.c" twice' in str(caught.value)
    assert 'alarm "a.b.c" twice' in str(station.value)


def test_all_mistakes_are_told_at_once() -> None:
    """Two wrong rules give two mistakes."""
    with pytest.raises(ConfigError) as caught:
        rule_set(rule("one", high=None), rule("two", deadband=-2.0))

    assert len(caught.value.mistakes) == 2
