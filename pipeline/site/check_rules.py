"""
A rule in itself and against the points it watches: limits, units, basis, delays, people.
"""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatchcase

from pipeline.errors import Mistake
from pipeline.physics.arms import arm_strains
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.models import Curve, Placement, Rule
from pipeline.site.units import SEVERAL_ARMS

_WORDS = {
    "basis": "who set it and on what ground",
    "cause": "what most likely makes it happen",
    "consequence": "what follows when nobody acts",
    "response": "what the person who is told shall do",
}
# What a level has and the other kinds have not.
_LEVEL_ONLY = ("high", "low", "unit", "deadband")


def check_texts(lookup: Lookup) -> Iterator[Mistake]:
    """Every rule has its basis, cause, consequence and response, and tells somebody."""
    for rule in lookup.parts.rules:
        for key, meaning in _WORDS.items():
            if not getattr(rule.item, key).strip():
                remedy = "An engineer writes it; without it nobody can judge the alarm."
                yield rule.mistake(key, "an empty text", meaning, remedy)
        if not rule.item.tell:
            remedy = 'Write at least one person, for example tell = ["…"].'
            yield rule.mistake("tell", "nobody", "at least one person to tell", remedy)
        if rule.item.compare == "plain" and not rule.item.compare_reason.strip():
            found, expected = "an empty text", "the engineer's reason for compare = plain"
            remedy = 'Write it, or take compare = "plain" out: guarded is the default.'
            yield rule.mistake("compare_reason", found, expected, remedy)


def check_limits(lookup: Lookup) -> Iterator[Mistake]:
    """A level has a limit, in order and wider than its deadband; other kinds have none."""
    for rule in lookup.parts.rules:
        one = rule.item
        if one.kind != "level":
            for key in _LEVEL_ONLY:
                if getattr(one, key):
                    remedy = 'Take it out, or write kind = "level".'
                    found, expected = str(getattr(one, key)), f"no {key} for kind {one.kind}"
                    yield rule.mistake(key, found, expected, remedy)
            continue
        if one.high is None and one.low is None:
            remedy = "Write high, low or both; there are no built-in limits."
            yield rule.mistake("high", "neither high nor low", "a limit", remedy)
        if one.high is None or one.low is None:
            continue
        if one.high <= one.low:
            found, expected = f"high {one.high:g} and low {one.low:g}", "high above low"
            yield rule.mistake("high", found, expected, "Mend one of the two.")
        elif one.deadband >= one.high - one.low:
            found, expected = f"{one.deadband:g}", f"less than high - low, {one.high - one.low:g}"
            remedy = "Make it smaller: with this one the alarm could never return to normal."
            yield rule.mistake("deadband", found, expected, remedy)


def check_patterns(lookup: Lookup) -> Iterator[Mistake]:
    """Every pattern of a rule names at least one point of its structure."""
    parts = lookup.parts
    structures = {structure.item.id for structure in parts.structures}
    for rule in parts.rules:
        known = not parts.is_unknown("structure", rule.item.structure)
        if rule.item.kind == "station" or "point" in parts.nameless or not known:
            continue
        if not rule.item.points:
            remedy = 'Write ids or patterns, or leave the key out for all points: ["*"].'
            yield rule.mistake("points", "an empty list", "at least one pattern", remedy)
        own = [p.item.id for p in parts.points if p.item.structure == rule.item.structure]
        # A point that was refused, or that is on no structure, may be the one that is meant.
        elsewhere = {
            p.item.id
            for p in parts.points
            if p.item.structure in structures and p.item.structure != rule.item.structure
        }
        names = parts.names["point"] - elsewhere
        for pattern in rule.item.points:
            if not any(fnmatchcase(name, pattern) for name in names):
                expected = f'a pattern that matches a point of "{rule.item.structure}"'
                yield rule.mistake("points", f'"{pattern}"', expected, did_you_mean(pattern, own))


def check_rule_units(lookup: Lookup) -> Iterator[Mistake]:
    """The limit of a level is in the unit of every point it watches."""
    for rule in lookup.parts.rules:
        if rule.item.kind != "level":
            continue
        for point in lookup.matched(rule.item):
            if point.item.unit != rule.item.unit:
                found = f'"{rule.item.unit}"'
                expected = f'"{point.item.unit}", the unit of point "{point.item.id}"'
                remedy = "Write the limit in the points' unit; split the rule where units differ."
                yield rule.mistake("unit", found, expected, remedy)
                break


def check_calibrated_range(lookup: Lookup) -> Iterator[Mistake]:
    """A level does not lie where the gauge that watches it was never calibrated."""
    for rule in lookup.parts.rules:
        if rule.item.kind != "level":
            continue
        for point in lookup.matched(rule.item):
            for placement in lookup.present_at(point.item.id):
                yield from _beyond(lookup, rule, placement)


def _beyond(
    lookup: Lookup, rule: Located[Rule], placement: Located[Placement]
) -> Iterator[Mistake]:
    history = lookup.in_force(placement.item)
    curve = history[-1].item.curve if history else None
    if curve is None:
        return
    name, expected = history[-1].item.id, "a limit inside the calibrated range"
    low, high = _range_of(placement.item, curve)
    if low >= high:
        return
    if placement.item.wiring in SEVERAL_ARMS:
        name = f"{name} as {placement.item.wiring}"
    for limit in (rule.item.high, rule.item.low):
        if limit is None or low <= limit <= high:
            continue
        end, side = (high, "less") if limit > high else (low, "more")
        verb = "ends" if limit > high else "begins"
        found = (
            f'calibration "{name}" {verb} at {end:g} µm/m, '
            f'rule "{rule.item.id}" watches to {limit:g}'
        )
        remedy = f"Calibrate further or set the limit to {end:g} or {side}."
        yield placement.mistake("", found, expected, remedy)


def _range_of(placement: Placement, curve: Curve) -> tuple[float, float]:
    """The calibrated range [µm/m]; of several arms where none of them has left it."""
    low, high = curve.range_um_m
    if placement.wiring not in SEVERAL_ARMS:
        return low, high
    poisson = placement.poisson or 0.0
    # A ratio that is none is told where it stands.
    arms = arm_strains(placement.wiring, poisson if 0.0 < poisson < 0.5 else 0.0)
    ends = [sorted((low / a, high / a)) for a in arms if a]
    return max(end[0] for end in ends), min(end[1] for end in ends)


def check_silence(lookup: Lookup) -> Iterator[Mistake]:
    """A silence is at least two intervals of the channels it watches, else it cries each time."""
    for rule in lookup.parts.rules:
        after = rule.item.after_s
        if rule.item.kind != "silent":
            if after is not None:
                remedy = 'Take it out, or write kind = "silent".'
                expected = f"no after_s for kind {rule.item.kind}"
                yield rule.mistake("after_s", f"{after:g}", expected, remedy)
            continue
        if after is None:
            remedy = "Write after how many seconds without a reading somebody is told."
            yield rule.mistake("after_s", "no such key", "a value for kind silent", remedy)
            continue
        slowest = [
            (channel.item.interval_s, channel.item.id)
            for point in lookup.matched(rule.item)
            for placement in lookup.present_at(point.item.id)
            if (channel := lookup.channel(placement.item, placement.item.channel))
        ]
        if slowest and after < 2 * max(slowest)[0]:
            interval, name = max(slowest)
            found = f'{after:g} s, but channel "{name}" comes every {interval:g} s'
            expected = f"at least {2 * interval:g} s, two intervals"
            yield rule.mistake("after_s", found, expected, f"Write {2 * interval:g} or more.")
