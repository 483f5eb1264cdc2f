"""
Ids are well formed and given once, and every reference between entries leads somewhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel

from pipeline.errors import Mistake
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.parts import Parts

M = TypeVar("M", bound=BaseModel)

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*", re.ASCII)
_LONGEST_ID = 64


def check_ids(lookup: Lookup) -> Iterator[Mistake]:
    """Ids become topic levels, folder names and socket names: only plain ones are safe there."""
    parts = lookup.parts
    with_id: tuple[Sequence[Located[Any]], ...] = (
        parts.structures, parts.nodes, parts.people, parts.points, parts.channels,
        parts.calibrations, parts.rules,
    )  # fmt: skip
    for located in (one for group in with_id for one in group):
        yield from id_mistake(located, "id", located.item.id)
    for placement in parts.placements:
        yield from id_mistake(placement, "serial", placement.item.serial)
        yield from id_mistake(placement, "batch", placement.item.batch)


def id_mistake(located: Located[Any], key: str, name: str) -> Iterator[Mistake]:
    """What is wrong with a name as an id."""
    if not _ID.fullmatch(name) or len(name) > _LONGEST_ID:
        expected = f"at most {_LONGEST_ID} of A-Z a-z 0-9 _ -, beginning with a letter or digit"
        remedy = f"Rename it here and wherever it is referred to, for example {_plain(name)}."
        yield located.mistake(key, f'"{name}"', expected, remedy)


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name, flags=re.ASCII).strip("-_")[:_LONGEST_ID] or "A1"


def check_duplicates(lookup: Lookup) -> Iterator[Mistake]:
    """
    An id stands once: channels and rules in their structure, all else in the site.

    Calibrations may share an id as a history; see `check_histories`.
    """
    parts = lookup.parts
    node_structure = {node.item.id: node.item.structure for node in parts.nodes}
    yield from _twice(parts.structures, lambda one: one.id)
    yield from _twice(parts.nodes, lambda one: one.id)
    yield from _twice(parts.people, lambda one: one.id)
    yield from _twice(parts.points, lambda one: one.id)
    yield from _twice(parts.rules, lambda one: (one.structure, one.id))
    yield from _twice(parts.channels, lambda one: (node_structure.get(one.node), one.id))


def _twice(group: Sequence[Located[M]], key: Callable[[M], object]) -> Iterator[Mistake]:
    first: dict[object, Located[M]] = {}
    for located in group:
        known = first.setdefault(key(located.item), located)
        if known is not located:
            found = f"an id that {known.place} has already"
            yield located.mistake("id", found, "an id that stands once", "Rename one of the two.")


def check_references(lookup: Lookup) -> Iterator[Mistake]:
    """Structure, node, point, calibration and people that are referred to exist."""
    parts = lookup.parts
    for node in parts.nodes:
        yield from _reference(parts, node, "structure", "structure", node.item.structure)
    for point in parts.points:
        yield from _reference(parts, point, "structure", "structure", point.item.structure)
    for channel in parts.channels:
        yield from _reference(parts, channel, "node", "node", channel.item.node)
    for placement in parts.placements:
        yield from _reference(parts, placement, "point", "point", placement.item.point)
        name = placement.item.calibration
        yield from _reference(parts, placement, "calibration", "calibration", name)
    for rule in parts.rules:
        yield from _reference(parts, rule, "structure", "structure", rule.item.structure)
        for person in rule.item.tell:
            yield from _reference(parts, rule, "tell", "person", person)


def _reference(
    parts: Parts, located: Located[Any], key: str, kind: str, name: str
) -> Iterator[Mistake]:
    if parts.is_unknown(kind, name):
        remedy = did_you_mean(name, parts.names[kind]) or f"Add the {kind}."
        yield located.mistake(key, f'"{name}"', f"the id of a {kind}", remedy)


def check_channel_references(lookup: Lookup) -> Iterator[Mistake]:
    """A placement's channels are sent by a node of the structure on which its point lies."""
    parts = lookup.parts
    keys = (
        "channel", "temperature_channel", "humidity_channel", "air_temperature_channel",
        "imaginary_channel", "lead_temperature_channel", "shunt_channel",
    )  # fmt: skip
    # Refused, or sent by a node that is nowhere: told already, where it stands.
    unplaced = parts.names["channel"] - {channel for _, channel in lookup.channels}
    known = {structure.item.id for structure in parts.structures}
    for placement in parts.placements:
        structure = lookup.structure_of(placement.item)
        if structure not in known:
            continue
        for key in keys:
            name = getattr(placement.item, key)
            if name is None or "channel" in parts.nameless:
                continue
            if lookup.channel(placement.item, name) is not None or name in unplaced:
                continue
            own = [channel for owner, channel in lookup.channels if owner == structure]
            remedy = did_you_mean(name, own) or "Add it to channels.csv."
            expected = f'a channel of a node on structure "{structure}"'
            yield placement.mistake(key, f'"{name}"', expected, remedy)
