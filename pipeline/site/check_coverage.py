"""
Nothing is left unwatched by oversight: every structure and point has what it needs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import get_args

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Rule, Zero

_WHAT = {
    "level": "a limit that an engineer set",
    "silent": "a gauge that sends nothing",
    "gauge_fault": "a gauge that is broken",
    "station": "a fault of the station itself",
}


def check_rule_kinds(lookup: Lookup) -> Iterator[Mistake]:
    """Every structure has at least one rule of each kind."""
    parts = lookup.parts
    strays = any(parts.is_unknown("structure", rule.item.structure) for rule in parts.rules)
    if "rule" in parts.incomplete or strays:
        return
    for structure in parts.structures:
        present = {r.item.kind for r in parts.rules if r.item.structure == structure.item.id}
        for kind in get_args(Rule.model_fields["kind"].annotation):
            if kind not in present:
                where = f'structure "{structure.item.id}"'
                expected = f"at least one, to watch for {_WHAT[kind]}"
                remedy = f'Add a [[rule]] with kind = "{kind}" for it.'
                yield Mistake(
                    parts.path("rules.toml"), where, f"no rule of kind {kind}", expected, remedy
                )


def check_watched_points(lookup: Lookup) -> Iterator[Mistake]:
    """Every strain point is in a silent and in a gauge_fault rule: silence is not safety."""
    parts = lookup.parts
    if "rule" in parts.incomplete:
        return
    for kind in ("silent", "gauge_fault"):
        rules = [rule.item for rule in parts.rules if rule.item.kind == kind]
        if not rules:
            continue
        watched = {point.item.id for rule in rules for point in lookup.matched(rule)}
        for point in parts.points:
            if point.item.quantity == "strain" and point.item.id not in watched:
                found = f"a strain point in no {kind} rule"
                expected = f"one that watches for {_WHAT[kind]}"
                remedy = f'Add "{point.item.id}" to the points of a {kind} rule in rules.toml.'
                yield point.mistake("", found, expected, remedy)


def check_installed(lookup: Lookup) -> Iterator[Mistake]:
    """Every structure has nodes, channels and points; every point has had a gauge."""
    parts = lookup.parts
    owned = {
        "node": {node.item.structure for node in parts.nodes},
        "channel": {structure for structure, _ in lookup.channels},
        "point": {point.item.structure for point in parts.points},
    }
    # An entry on no structure was told already: it may be the one that lacks here.
    homes = [*(n.item.structure for n in parts.nodes), *(p.item.structure for p in parts.points)]
    strays = any(parts.is_unknown("structure", home) for home in homes)
    for kind, structures in owned.items():
        if parts.incomplete & {kind, "node"} or strays:
            continue
        for structure in parts.structures:
            if structure.item.id not in structures:
                remedy = f"Add one, or take the structure out of {structure.file}."
                yield structure.mistake("", f"no {kind}", f"at least one {kind}", remedy)
    if "gauge" in parts.incomplete:
        return
    for point in parts.points:
        # A shunt point has the gauge that names it: see `check_shunt_points`.
        if point.item.quantity != "shunt" and not lookup.placements_at(point.item.id):
            remedy = "Add its row to gauges.csv, or make this row a comment with # until then."
            expected = "a gauge, since without one a rule on this point can never alarm"
            yield point.mistake("", "a point without any gauge", expected, remedy)


def check_zeros(lookup: Lookup) -> Iterator[Mistake]:
    """Every zero is of a gauge that was in place at that time, and somebody answers for it."""
    parts = lookup.parts
    for zero in parts.zeros:
        one = zero.item
        if parts.is_unknown("gauge", one.serial):
            remedy = "Mend the serial; a line is never taken out, since it is history."
            yield zero.mistake("serial", f'"{one.serial}"', "a serial of gauges.csv", remedy)
        elif "gauge" not in parts.incomplete and not any(
            p.item.serial == one.serial
            and p.item.valid_from <= one.valid_from
            and (p.item.valid_to is None or one.valid_from < p.item.valid_to)
            for p in parts.placements
        ):
            found = f"{one.valid_from.isoformat()}, when the gauge was at no point"
            remedy = "Mend the time here, or valid_from and valid_to in gauges.csv."
            yield zero.mistake("valid_from", found, "a time at which it was in place", remedy)
        yield from _unsigned(zero)


def _unsigned(zero: Located[Zero]) -> Iterator[Mistake]:
    for key in ("by", "reason"):
        if not getattr(zero.item, key).strip():
            remedy = "A zero is a statement by a person, with its reason: write it."
            yield zero.mistake(key, "an empty text", f"the {key} of the zero", remedy)
