"""
Finds what belongs together: the channel of a placement, its calibrations, the points of a rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from fnmatch import fnmatchcase

from pipeline.site.located import Located
from pipeline.site.models import Calibration, Channel, Placement, Point, Rule
from pipeline.site.parts import Parts

_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Lookup:
    """Valid entries of a site by what refers to them; absent is None or empty, never an error."""

    parts: Parts
    points: dict[str, Located[Point]]
    channels: dict[tuple[str, str], Located[Channel]]
    """By structure and id."""
    histories: dict[str, tuple[Located[Calibration], ...]]
    """By id, oldest `valid_from` first, one a `valid_from`."""

    def structure_of(self, placement: Placement) -> str | None:
        """Structure of the point at which a gauge sits."""
        point = self.points.get(placement.point)
        return point.item.structure if point else None

    def channel(self, placement: Placement, name: str) -> Located[Channel] | None:
        """The channel of that name on the structure of the placement."""
        structure = self.structure_of(placement)
        return self.channels.get((structure, name)) if structure else None

    def in_force(self, placement: Placement) -> tuple[Located[Calibration], ...]:
        """
        The calibrations that apply while the gauge sits there, oldest first.

        The first may begin after the placement: then none was valid at its start.
        """
        history = self.histories.get(placement.calibration, ())
        end = placement.valid_to or _NEVER
        before = [c for c in history if c.item.valid_from <= placement.valid_from]
        later = [c for c in history if placement.valid_from < c.item.valid_from < end]
        return (*before[-1:], *later)

    def placements_at(self, point: str) -> list[Located[Placement]]:
        """Placements at a point, oldest first."""
        found = [p for p in self.parts.placements if p.item.point == point]
        return sorted(found, key=lambda p: p.item.valid_from)

    def present_at(self, point: str) -> list[Located[Placement]]:
        """The placements at a point that have no end, else the last one that was there."""
        found = self.placements_at(point)
        return [p for p in found if p.item.valid_to is None] or found[-1:]

    def matched(self, rule: Rule) -> list[Located[Point]]:
        """The points of the rule's structure that its patterns name, in the order of the table."""
        return [
            point
            for point in self.parts.points
            if point.item.structure == rule.structure
            and any(fnmatchcase(point.item.id, pattern) for pattern in rule.points)
        ]


def look_up(parts: Parts) -> Lookup:
    """The lookup of these parts; of entries with one name the first counts."""
    points: dict[str, Located[Point]] = {}
    for point in parts.points:
        points.setdefault(point.item.id, point)
    structure_of_node: dict[str, str] = {}
    for node in parts.nodes:
        structure_of_node.setdefault(node.item.id, node.item.structure)
    channels: dict[tuple[str, str], Located[Channel]] = {}
    known = {structure.item.id for structure in parts.structures}
    for channel in parts.channels:
        structure = structure_of_node.get(channel.item.node)
        if structure in known:
            channels.setdefault((structure, channel.item.id), channel)
    return Lookup(parts, points, channels, _histories(parts))


def _histories(parts: Parts) -> dict[str, tuple[Located[Calibration], ...]]:
    by_key: dict[tuple[str, datetime], Located[Calibration]] = {}
    for calibration in parts.calibrations:
        key = (calibration.item.id, calibration.item.valid_from)
        known = by_key.get(key)
        # The later recorded one corrects the earlier; what was known before is in the snapshots.
        if known is None or known.item.recorded < calibration.item.recorded:
            by_key[key] = calibration
    histories: dict[str, list[Located[Calibration]]] = {}
    for (name, _), calibration in sorted(by_key.items(), key=lambda kv: kv[0]):
        histories.setdefault(name, []).append(calibration)
    return {name: tuple(history) for name, history in histories.items()}
