"""
Spans in time: none ends before it begins, and nothing is in two places at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import combinations

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Placement

_NEVER = datetime.max.replace(tzinfo=UTC)


def check_spans(lookup: Lookup) -> Iterator[Mistake]:
    """A placement ends after it begins; a calibration expires after it begins."""
    for placement in lookup.parts.placements:
        start, end = placement.item.valid_from, placement.item.valid_to
        if end is not None and end <= start:
            remedy = "Mend one of the two, or leave valid_to empty while the gauge sits there."
            expected = f"a time after valid_from, {iso(start)}"
            yield placement.mistake("valid_to", iso(end), expected, remedy)
    for calibration in lookup.parts.calibrations:
        start, end = calibration.item.valid_from, calibration.item.expires
        if end <= start:
            expected, remedy = f"a time after valid_from, {iso(start)}", "Mend one of the two."
            yield calibration.mistake("expires", iso(end), expected, remedy)


def check_overlaps(lookup: Lookup) -> Iterator[Mistake]:
    """One gauge a point, one gauge a channel, one place a serial, at any time."""
    placements = lookup.parts.placements
    for first, second in _overlapping(placements, lambda one: one.point):
        other = f'gauge "{first.item.serial}" of {first.place.split(",")[0]} is there then'
        remedy = f'Give "{first.item.serial}" a valid_to not after {iso(second.item.valid_from)}.'
        found = f'a second gauge at point "{second.item.point}": {other}'
        yield second.mistake("valid_from", found, "one gauge at a point at a time", remedy)
    for first, second in _overlapping(
        placements, lambda one: (lookup.structure_of(one), one.channel)
    ):
        if first.item.point == second.item.point:
            continue
        other = f'gauge "{first.item.serial}" of {first.place.split(",")[0]} uses it then'
        found = f'"{second.item.channel}": {other}'
        remedy = "Mend the channel of one of them, or end the earlier with valid_to."
        yield second.mistake("channel", found, "one gauge on a channel at a time", remedy)
    for first, second in _overlapping(placements, lambda one: one.serial):
        if first.item.point == second.item.point:
            continue
        found = f'a gauge that {first.place.split(",")[0]} has at "{first.item.point}" then'
        remedy = "Mend the serial of one of them, or end the earlier with valid_to."
        yield second.mistake("serial", found, "one place a serial at a time", remedy)


def iso(time: datetime) -> str:
    """A time as people write it in the files: UTC, with `Z`."""
    return time.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _overlapping(
    placements: Sequence[Located[Placement]], key: Callable[[Placement], object]
) -> Iterator[tuple[Located[Placement], Located[Placement]]]:
    groups: dict[object, list[Located[Placement]]] = {}
    for placement in placements:
        groups.setdefault(key(placement.item), []).append(placement)
    for group in groups.values():
        ordered = sorted(group, key=lambda one: one.item.valid_from)
        for first, second in combinations(ordered, 2):
            if second.item.valid_from < (first.item.valid_to or _NEVER):
                yield first, second
