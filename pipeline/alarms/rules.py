"""
From rules with patterns to one watch a rule and point, with its numbers ready for comparing.

An alarm's id is `{rule}.{point}`; for the station itself `{rule}.{fault}`, made when a fault
is first named, whatever its name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from pipeline.alarms.condition import Delays
from pipeline.blocks import Floats, Ints
from pipeline.errors import ConfigError, Mistake
from pipeline.site.models import Point, Rule, Structure

COVERAGE = 2.0
"""k of the guard band: u is stated as U95/2, so that k = 2 means 95 % (JCGM 106)."""


@dataclass(frozen=True)
class Watch:
    """One rule at one point (or for one station fault): what the engine compares with."""

    alarm: str
    rule: Rule
    point: str
    delays: Delays
    high: float
    """In the rule's unit; +inf: none."""
    low: float
    """-inf: none."""
    k: float
    """Added margin in u; 0 compares the plain value."""
    silent_us: int
    """`silent`: longest time without a reading [µs]."""


@dataclass(frozen=True)
class RuleSet:
    """All watches of a structure, and columns of the row-driven ones in the order of `rows`."""

    watches: Mapping[str, Watch]
    stations: tuple[Rule, ...]
    points: tuple[str, ...]
    """Points that any watch looks at; columns refer to them by position."""
    rows: tuple[Watch, ...]
    """The watches that rows drive: level and gauge_fault."""
    row_point: Ints
    row_high: Floats
    row_low: Floats
    row_k: Floats
    silent: Mapping[str, tuple[Watch, ...]]
    """Silence watches by point."""

    def station_watch(self, rule: Rule, fault: str) -> Watch:
        """The watch of a station rule for a fault of any name."""
        return _watch(rule, fault)


def compile_rules(structure: Structure) -> RuleSet:
    """
    Expand the rules of a structure to its points.

    A level rule's wildcards take only points of the rule's unit; a point named in full must
    have it.

    Raises:
        ConfigError: every rule that would watch nothing, or not what it says; all at once.
    """
    mistakes = [mistake for rule in structure.rules for mistake in _rule_mistakes(rule)]
    watches: dict[str, Watch] = {}
    for rule in structure.rules:
        if rule.kind == "station":
            continue
        chosen, wrong = _chosen_points(rule, structure.points)
        mistakes += wrong
        for point in chosen:
            watch = _watch(rule, point.id)
            if watch.alarm in watches:
                mistakes.append(_doubled(rule, watch.alarm))
            watches[watch.alarm] = watch
    stations = tuple(rule for rule in structure.rules if rule.kind == "station")
    for rule in stations:
        mistakes += [_doubled(rule, alarm) for alarm in watches if alarm.startswith(f"{rule.id}.")]
    if mistakes:
        raise ConfigError(tuple(mistakes))
    return _columns(watches, stations)


def _columns(watches: dict[str, Watch], stations: tuple[Rule, ...]) -> RuleSet:
    points = tuple(dict.fromkeys(watch.point for watch in watches.values()))
    position = {point: i for i, point in enumerate(points)}
    rows = tuple(w for w in watches.values() if w.rule.kind in ("level", "gauge_fault"))
    silent: dict[str, tuple[Watch, ...]] = {}
    for watch in watches.values():
        if watch.rule.kind == "silent":
            silent[watch.point] = (*silent.get(watch.point, ()), watch)
    return RuleSet(
        watches,
        stations,
        points,
        rows,
        np.array([position[watch.point] for watch in rows], np.int64),
        np.array([watch.high for watch in rows], np.float64),
        np.array([watch.low for watch in rows], np.float64),
        np.array([watch.k for watch in rows], np.float64),
        silent,
    )


def _watch(rule: Rule, point: str) -> Watch:
    is_level = rule.kind == "level"
    return Watch(
        f"{rule.id}.{point}",
        rule,
        point,
        Delays(_us(rule.on_delay_s), _us(rule.off_delay_s)),
        rule.high if is_level and rule.high is not None else float("inf"),
        rule.low if is_level and rule.low is not None else float("-inf"),
        COVERAGE if is_level and rule.compare == "guarded" else 0.0,
        _us((rule.after_s or 0.0) + rule.on_delay_s) if rule.kind == "silent" else 0,
    )


def _us(seconds: float) -> int:
    return round(seconds * 1_000_000)


def _chosen_points(rule: Rule, points: tuple[Point, ...]) -> tuple[list[Point], list[Mistake]]:
    named = [p for p in points if any(fnmatchcase(p.id, pattern) for pattern in rule.points)]
    chosen = [p for p in named if rule.kind != "level" or p.unit == rule.unit]
    wrong = [
        _mistake(rule, f'point "{p.id}" in {p.unit}', f"a point in {rule.unit or 'its own unit'}")
        for p in named
        if p not in chosen and p.id in rule.points
    ]
    ids = {p.id for p in points}
    wrong += [
        _mistake(rule, f'point "{name}"', "a point of points.csv")
        for name in rule.points
        if name not in ids and not any(sign in name for sign in "*?[")
    ]
    if not chosen and not wrong:
        found = f"points {', '.join(rule.points)} in unit {rule.unit or '(none)'}: no such point"
        wrong.append(_mistake(rule, found, "at least one point to watch"))
    return chosen, wrong


def _rule_mistakes(rule: Rule) -> list[Mistake]:
    wrong: list[Mistake] = []
    if rule.kind == "level" and rule.high is None and rule.low is None:
        wrong.append(_mistake(rule, "neither high nor low", "a limit"))
    if rule.high is not None and rule.low is not None and rule.low >= rule.high:
        wrong.append(_mistake(rule, f"low {rule.low:g}, high {rule.high:g}", "low below high"))
    if rule.kind == "silent" and not (rule.after_s and rule.after_s > 0):
        wrong.append(_mistake(rule, f"after_s {rule.after_s}", "a time above 0"))
    if rule.high is not None and rule.low is not None and rule.kind == "level":
        room = (rule.high - rule.low) / 2
        if 0 < room <= rule.deadband:
            found = f"deadband {rule.deadband:g} between low {rule.low:g} and high {rule.high:g}"
            wrong.append(_mistake(rule, found, f"less than {room:g}, else it never returns"))
    wrong += [
        _mistake(rule, f"{name} {amount:g}", "0 or more")
        for name, amount in (
            ("deadband", rule.deadband),
            ("on_delay_s", rule.on_delay_s),
            ("off_delay_s", rule.off_delay_s),
        )
        if amount < 0
    ]
    return wrong


def _doubled(rule: Rule, alarm: str) -> Mistake:
    return _mistake(rule, f'alarm "{alarm}" twice', "names that make every alarm's id unique")


def _mistake(rule: Rule, found: str, expected: str) -> Mistake:
    remedy = "Correct the rule; until then the station does not start."
    return Mistake("rules.toml", f'rule "{rule.id}"', found, expected, remedy)
