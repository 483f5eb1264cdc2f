"""
The calibration that a placement names is its own, of the right kind and valid when it begins.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Mistake
from pipeline.site.check_times import iso
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Calibration, Placement


def check_validity(lookup: Lookup) -> Iterator[Mistake]:
    """A calibration is valid, and has not expired, when its gauge is placed."""
    for placement in lookup.parts.placements:
        history = lookup.in_force(placement.item)
        if not history:
            continue
        start, first = placement.item.valid_from, history[0].item
        if first.valid_from > start:
            found = f'"{first.id}", which is valid from {iso(first.valid_from)}'
            expected = f"one that is valid at {iso(start)}, when the gauge was placed"
            remedy = "Name another calibration, or mend its valid_from if it holds for then too."
            yield placement.mistake("calibration", found, expected, remedy)
        elif first.expires <= start:
            found = f'"{first.id}", which expired {iso(first.expires)}'
            expected = f"one that had not expired at {iso(start)}, when the gauge was placed"
            remedy = "Calibrate again, or name another calibration."
            yield placement.mistake("calibration", found, expected, remedy)


def check_ownership(lookup: Lookup) -> Iterator[Mistake]:
    """A calibration that applies to a placement is of its serial or batch and of its kind."""
    for placement in lookup.parts.placements:
        for calibration in lookup.in_force(placement.item):
            yield from _foreign(placement, calibration)


def _foreign(placement: Located[Placement], calibration: Located[Calibration]) -> Iterator[Mistake]:
    one, used = placement.item, calibration.item
    for key in ("serial", "batch"):
        owner = getattr(used, key)
        if owner is not None and owner != getattr(one, key):
            found = f'"{used.id}" of {key} "{owner}" ({calibration.file})'
            expected = f'one of serial "{one.serial}" or batch "{one.batch}"'
            remedy = f"Name another calibration, or mend the {key} here."
            yield placement.mistake("calibration", found, expected, remedy)
    kind = "linear" if one.wiring == "linear" else "strain"
    if used.kind != kind:
        found = f'"{used.id}" of kind {used.kind} with wiring {one.wiring}'
        remedy = "Name another calibration, or mend the wiring."
        yield placement.mistake("calibration", found, f"one of kind {kind}", remedy)
