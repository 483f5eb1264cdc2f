"""
From checked parts to the `Site` that the station runs with.
"""

from __future__ import annotations

from pipeline.errors import ConfigError, Mistake
from pipeline.site.lookup import Lookup, look_up
from pipeline.site.models import Calibration, Site, Structure, Zero
from pipeline.site.parts import Parts, StructureTable


def assemble(parts: Parts, sha256: str) -> Site:
    """
    The site of these parts, every structure with what belongs to it, in the order of the files.

    Raises:
        ConfigError: a required table is missing; `find_mistakes` would have told it before.
    """
    if parts.site is None or parts.broker is None or parts.storage is None:
        raise ConfigError(
            (
                Mistake(
                    parts.path("site.toml"),
                    "",
                    "no [site], [broker] or [storage]",
                    "all three",
                    "Add what is missing.",
                ),
            )
        )
    lookup = look_up(parts)
    return Site(
        name=parts.site.item.name,
        timezone=parts.site.item.timezone,
        broker=parts.broker.item,
        storage=parts.storage.item,
        mail=parts.mail.item if parts.mail else None,
        people=tuple(person.item for person in parts.people),
        structures=tuple(_structure(lookup, table.item) for table in parts.structures),
        folder=str(parts.folder.resolve()),
        sha256=sha256,
    )


def _structure(lookup: Lookup, table: StructureTable) -> Structure:
    parts = lookup.parts
    placements = tuple(
        placement.item
        for placement in parts.placements
        if lookup.structure_of(placement.item) == table.id
    )
    return Structure(
        **table.model_dump(),
        nodes=tuple(node.item for node in parts.nodes if node.item.structure == table.id),
        channels=tuple(
            channel.item for (owner, _), channel in lookup.channels.items() if owner == table.id
        ),
        points=tuple(point.item for point in parts.points if point.item.structure == table.id),
        placements=placements,
        calibrations=_calibrations(lookup, {placement.calibration for placement in placements}),
        zeros=_zeros(lookup, table.id),
        rules=tuple(rule.item for rule in parts.rules if rule.item.structure == table.id),
        rosettes=tuple(r.item for r in parts.rosettes if r.item.structure == table.id),
        sections=tuple(s.item for s in parts.sections if s.item.structure == table.id),
    )


def _calibrations(lookup: Lookup, named: set[str]) -> tuple[Calibration, ...]:
    return tuple(
        calibration.item for name in sorted(named) for calibration in lookup.histories.get(name, ())
    )


def _zeros(lookup: Lookup, structure: str) -> tuple[Zero, ...]:
    # A gauge may have moved to another structure: a zero belongs to where it was at that time.
    return tuple(
        zero.item
        for zero in lookup.parts.zeros
        if any(
            placement.item.serial == zero.item.serial
            and lookup.structure_of(placement.item) == structure
            and placement.item.valid_from <= zero.item.valid_from
            and (placement.item.valid_to is None or zero.item.valid_from < placement.item.valid_to)
            for placement in lookup.parts.placements
        )
    )
