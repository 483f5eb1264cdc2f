"""
Rules, structures and result rows for the alarm tests, and a bench that keeps the state.

Times in the tests are seconds after `START_US`; every name is invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline.alarms.engine import (
    AlarmState,
    Command,
    RuleSet,
    Tick,
    Transition,
    apply_command,
    compile_rules,
    evaluate,
    evaluate_tick,
    initial_state,
)
from pipeline.blocks import FAIL, PASS, TEST_BIT, Results, concat_results
from pipeline.site.models import Point, Rule, Structure

START_US = 1_780_000_000_000_000

Row = tuple[float, float | None, float | None] | tuple[float, float | None, float | None, int]
"""Seconds, value, u and, when it is not PASS, the flag."""


def point(name: str, unit: str = "µm/m") -> Point:
    """A point on an invented bridge."""
    return Point(id=name, structure="alder-bridge", member="girder-2", unit=unit)


def rule(name: str = "high", kind: str = "level", **changes: Any) -> Rule:
    """A rule with all that a rule must say; a level rule watches 1000 µm/m with k·u."""
    facts: dict[str, Any] = {
        "id": name,
        "kind": kind,
        "structure": "alder-bridge",
        "priority": "high",
        "basis": "design check 12, girder 2",
        "cause": "overload",
        "consequence": "yield of the bottom flange",
        "response": "close the lane, inspect",
        "respond_within_min": 30.0,
        "tell": ("mara",),
    }
    if kind == "level":
        facts |= {"high": 1000.0, "unit": "µm/m"}
    if kind == "silent":
        facts |= {"after_s": 600.0}
    return Rule(**(facts | changes))


def structure(*rules: Rule, points: Sequence[Point] = (point("g1"),)) -> Structure:
    """A structure with these rules and points."""
    return Structure(
        id="alder-bridge",
        name="Alder Bridge",
        material="steel",
        expansion_1e6_per_k=12.0,
        points=tuple(points),
        rules=rules,
    )


def rule_set(*rules: Rule, points: Sequence[Point] = (point("g1"),)) -> RuleSet:
    """The compiled rules of such a structure."""
    return compile_rules(structure(*rules, points=points))


def results(rows: Sequence[Row], name: str = "g1", tests: Sequence[str] = ()) -> Results:
    """
    Rows of one point; `tests` are set on every row that is flagged failed, or on all if they hold
    `late` or `contradiction`.
    """
    flags = [row[3] if len(row) == 4 else PASS for row in rows]
    bits = sum(TEST_BIT[test] for test in tests)
    is_marked = [flag == FAIL or bool({"late", "contradiction"} & {*tests}) for flag in flags]
    return Results.from_columns(
        np.array([at_us(row[0]) for row in rows], np.int64),
        name,
        "strain",
        {
            "value": [np.nan if row[1] is None else row[1] for row in rows],
            "u": [np.nan if row[2] is None else row[2] for row in rows],
            "flag": np.array(flags, np.int8),
            "tests": np.where(is_marked, bits, 0).astype(np.int32),
        },
    )


def together(parts: Mapping[str, Sequence[Row]]) -> Results:
    """Rows of several points, by name."""
    return concat_results([results(rows, name) for name, rows in parts.items()])


def at_us(seconds: float) -> int:
    """Time of a test [µs since 1970 UTC]."""
    return START_US + round(seconds * 1_000_000)


def seconds(time_us: int) -> float:
    """The reverse of `at_us`."""
    return (time_us - START_US) / 1_000_000


@dataclass
class Bench:
    """The engine with its state, for tests that tell a story step by step."""

    rules: RuleSet
    state: AlarmState = field(init=False)
    told: list[Transition] = field(default_factory=list)
    reply: str = ""

    def __post_init__(self) -> None:
        self.state = initial_state(self.rules)

    def rows(
        self,
        rows: Sequence[Row],
        received_s: float | None = None,
        name: str = "g1",
        tests: Sequence[str] = (),
    ) -> list[Transition]:
        """One batch of one point, received when its last row was made unless told otherwise."""
        now_s = rows[-1][0] if received_s is None else received_s
        return self.batch(results(rows, name, tests), now_s)

    def batch(self, block: Results, received_s: float) -> list[Transition]:
        """One batch."""
        transitions, self.state = evaluate(block, at_us(received_s), self.state, self.rules)
        self.told += transitions
        return list(transitions)

    def tick(self, now_s: float, **faults: str) -> list[Transition]:
        """One tick."""
        tick = Tick(at_us(now_s), at_us(now_s), faults)
        transitions, self.state = evaluate_tick(tick, self.state, self.rules)
        self.told += transitions
        return list(transitions)

    def act(
        self,
        kind: str,
        now_s: float,
        alarm: str = "high.g1",
        comment: str = "seen on site",
        until_s: float | None = None,
        by: str = "mara",
    ) -> bool:
        """One command; True when it was done, `reply` says what the person is told."""
        until_us = None if until_s is None else at_us(until_s)
        command = Command(kind, alarm, by, comment, until_us)  # type: ignore[arg-type]  # also wrong kinds
        transitions, self.state, self.reply, done = apply_command(
            command, at_us(now_s), self.state, self.rules
        )
        self.told += transitions
        return done

    def standing(self, alarm: str = "high.g1") -> str:
        """The alarm's state."""
        return self.state.alarms[alarm].state.value

    def restart(self) -> None:
        """Save and load the state."""
        self.state = AlarmState.from_json(self.state.to_json())


def story(transitions: Sequence[Transition]) -> list[tuple[str, float]]:
    """Event and time of occurrence in seconds of each transition."""
    return [(told.event, seconds(told.occurred_us)) for told in transitions]
