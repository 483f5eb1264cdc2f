"""
Shunt checks: resistor, channel and point belong together, and the point states the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Placement, Point
from pipeline.site.units import RESISTANCE_WIRINGS

_TOGETHER = ("shunt_channel", "shunt_ohm", "shunt_point")


def check_shunts(lookup: Lookup) -> Iterator[Mistake]:
    """A shunt check is complete, and of a wiring in which it can be worked out."""
    for placement in lookup.parts.placements:
        one = placement.item
        given = [key for key in _TOGETHER if getattr(one, key) is not None]
        if not given:
            continue
        for key in _TOGETHER:
            if key not in given:
                remedy = f"Fill in {', '.join(_TOGETHER)}, or leave all of them empty."
                expected = f"a value beside {given[0]}"
                yield placement.mistake(key, "an empty cell", expected, remedy)
        if one.wiring in ("linear", "impedance"):
            expected = f"no shunt check with wiring {one.wiring}"
            remedy = f"Leave {', '.join(_TOGETHER)} empty."
            yield placement.mistake(given[0], f'"{getattr(one, given[0])}"', expected, remedy)
        elif one.wiring not in RESISTANCE_WIRINGS and one.nominal_ohm is None:
            found, expected = "an empty cell beside a shunt", "the gauge's resistance in Ohm"
            remedy = "Fill it in: what the shunt does to the arm depends on it."
            yield placement.mistake("nominal_ohm", found, expected, remedy)
        yield from _channel_mistakes(lookup, placement)
        yield from _point_mistakes(lookup, placement)


def _channel_mistakes(lookup: Lookup, placement: Located[Placement]) -> Iterator[Mistake]:
    one, name = placement.item, placement.item.shunt_channel
    if name is None:
        return
    own, used = lookup.channel(one, one.channel), lookup.channel(one, name)
    if own is not None and used is not None and own.item.kind != used.item.kind:
        found = f'"{name}" of kind {used.item.kind}'
        expected = f"kind {own.item.kind}, as of the gauge's own channel"
        remedy = "Name the channel of the readings with the shunt, or mend its kind."
        yield placement.mistake("shunt_channel", found, expected, remedy)
    takers = [p for p in lookup.parts.placements if p.item.channel == name]
    takers = [p for p in takers if lookup.structure_of(p.item) == lookup.structure_of(one)]
    if takers:
        found = f'"{name}", which gauge "{takers[0].item.serial}" reads'
        expected = "a channel of its own: with the shunt it is no reading of a gauge"
        remedy = "Have the logger send readings with the shunt under another name."
        yield placement.mistake("shunt_channel", found, expected, remedy)


def _point_mistakes(lookup: Lookup, placement: Located[Placement]) -> Iterator[Mistake]:
    one, name = placement.item, placement.item.shunt_point
    if name is None or "point" in lookup.parts.nameless:
        return
    point = lookup.points.get(name)
    if point is None or point.item.structure != lookup.structure_of(one):
        remedy = "Add it to points.csv, with quantity shunt, unit 1 and its gross range."
        expected = "a point of the gauge's structure"
        yield placement.mistake("shunt_point", f'"{name}"', expected, remedy)
        return
    if point.item.quantity != "shunt":
        found = f'"{name}", which measures {point.item.quantity}'
        remedy = "Name a point of its own, with quantity shunt and unit 1."
        yield placement.mistake("shunt_point", found, "a point of quantity shunt", remedy)
        return
    others = [
        p.item.serial
        for p in lookup.parts.placements
        if p.item.shunt_point == name and p.item.point != one.point
    ]
    if others:
        found = f'"{name}", where the shunt checks of "{others[0]}" go too'
        remedy = "Give each gauge a point for its own check."
        yield placement.mistake("shunt_point", found, "a point for this gauge alone", remedy)


def check_shunt_points(lookup: Lookup) -> Iterator[Mistake]:
    """A shunt point belongs to a gauge, and its gross range, the tolerance, holds 1."""
    used = {p.item.shunt_point for p in lookup.parts.placements}
    for point in lookup.parts.points:
        if point.item.quantity != "shunt":
            continue
        if point.item.id not in used and "gauge" not in lookup.parts.incomplete:
            remedy = "Name it in shunt_point of its gauge in gauges.csv, or take it out."
            expected = "the shunt_point of a gauge"
            yield point.mistake("", "a shunt point of no gauge", expected, remedy)
        yield from _tolerance(point)


def _tolerance(point: Located[Point]) -> Iterator[Mistake]:
    low, high = point.item.gross_low, point.item.gross_high
    if low is None or high is None or not low < 1 < high:
        ends = " to ".join("an empty cell" if end is None else f"{end:g}" for end in (low, high))
        remedy = "Write how far measured over expected may be from 1, for example 0.99 and 1.01."
        yield point.mistake("gross_low", ends, "a range around 1: the tolerance", remedy)
