"""
What takes climate off a gauge is complete: model, companion, or none with its reason.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from pipeline.errors import Mistake
from pipeline.site.check_times import iso
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.models import Calibration, Placement
from pipeline.site.units import SEVERAL_ARMS

_NEVER = datetime.max.replace(tzinfo=UTC)


def check_choices(lookup: Lookup) -> Iterator[Mistake]:
    """`none` has its reason, and only `companion` names a companion."""
    for placement in lookup.parts.placements:
        one = placement.item
        if one.compensation == "none" and not one.compensation_reason.strip():
            remedy = "Write why the climate need not be taken off, or choose model or companion."
            expected = "the reason for compensation none"
            yield placement.mistake("compensation_reason", "an empty cell", expected, remedy)
        if one.compensation == "companion" and one.companion is None:
            remedy = "Write the serial of the unstrained gauge, or choose model."
            expected = "the serial of the companion"
            yield placement.mistake("companion", "an empty cell", expected, remedy)
        if one.compensation != "companion" and one.companion is not None:
            found, expected = f'"{one.companion}"', f"an empty cell with {one.compensation}"
            remedy = "Leave it empty, or write companion as the compensation."
            yield placement.mistake("companion", found, expected, remedy)
        if one.wiring == "linear" and one.compensation != "none":
            remedy = 'Write none, and as reason for example "the sensor compensates itself".'
            expected = "none for a linear sensor"
            yield placement.mistake("compensation", one.compensation, expected, remedy)


def check_models(lookup: Lookup) -> Iterator[Mistake]:
    """`model` has its tables in every calibration that applies, and the channels to feed them."""
    for placement in lookup.parts.placements:
        one = placement.item
        if one.wiring == "linear":
            continue
        history = lookup.in_force(one)
        if one.compensation == "model":
            yield from _model(placement, history)
        elif one.compensation == "companion" and any(
            c.item.temperature and c.item.temperature.factor_per_k for c in history
        ):
            yield from _needs(placement, "temperature_channel", "factor_per_k of its calibration")
        at = lookup.points.get(one.point)
        if at is not None and at.item.watched == "total" and one.compensation != "model":
            yield from _needs(placement, "temperature_channel", "total strain, which is watched")


def _model(
    placement: Located[Placement], history: tuple[Located[Calibration], ...]
) -> Iterator[Mistake]:
    for calibration in history:
        if calibration.item.temperature is None:
            found = f'model, but "{calibration.item.id}" ({calibration.file}) has no [temperature]'
            remedy = "Add [temperature] to it, or choose companion, or none with a reason."
            expected = "a calibration with [temperature]"
            yield placement.mistake("compensation", found, expected, remedy)
    yield from _needs(placement, "temperature_channel", "compensation model")
    # What the climate did to all arms alike cancelled at commissioning too.
    is_alone = placement.item.wiring not in SEVERAL_ARMS
    if is_alone:
        yield from _needs(placement, "unstrained_temperature_c", "compensation model")
    if any(calibration.item.moisture for calibration in history):
        yield from _needs(placement, "humidity_channel", "[moisture] of its calibration")
        if is_alone:
            yield from _needs(placement, "unstrained_humidity_rh", "[moisture] of its calibration")


def _needs(placement: Located[Placement], key: str, reason: str) -> Iterator[Mistake]:
    if getattr(placement.item, key) is None:
        yield placement.mistake(
            key, "an empty cell", f"a value, needed for {reason}", f"Fill in {key}."
        )


def check_several_arms(lookup: Lookup) -> Iterator[Mistake]:
    """
    With several active arms the curve of each is known, and no climate is taken off twice.

    Climate is common to the arms: with `model` it only changes their gain, and c_k acts in each.
    """
    for placement in lookup.parts.placements:
        if placement.item.wiring not in SEVERAL_ARMS:
            continue
        if placement.item.compensation == "companion":
            expected = f"model or none with wiring {placement.item.wiring}"
            remedy = "The climate is common to the arms: a companion would take it off twice."
            yield placement.mistake("compensation", "companion", expected, remedy)
        for calibration in lookup.in_force(placement.item):
            yield from _curves_of_arms(placement, calibration)


def _curves_of_arms(
    placement: Located[Placement], calibration: Located[Calibration]
) -> Iterator[Mistake]:
    one, wiring = calibration.item, placement.item.wiring
    if one.curve is None:
        return
    if one.curve.kind != "line" and one.batch is None:
        found = f'"{one.id}" of one gauge, with a {one.curve.kind} curve, and wiring {wiring}'
        expected = (
            "a calibration of the batch that all arms are from: the curve of each must be known"
        )
        remedy = "Name one of the batch, or wire each gauge as a quarter bridge or by resistance."
        yield placement.mistake("calibration", found, expected, remedy)
    low, high = one.curve.range_um_m
    if not low < 0 < high:
        found = f'"{one.id}", calibrated from {low:g} to {high:g} µm/m, and wiring {wiring}'
        expected = "a range on both sides of 0: one arm is compressed when another is stretched"
        remedy = "Calibrate on both sides, or wire each gauge as a quarter bridge or by resistance."
        yield placement.mistake("calibration", found, expected, remedy)


def check_companions(lookup: Lookup) -> Iterator[Mistake]:
    """A companion is a free gauge of the same batch on the same structure, there all the time."""
    for placement in lookup.parts.placements:
        name = placement.item.companion
        if name is None or placement.item.compensation != "companion":
            continue
        if lookup.parts.is_unknown("gauge", name):
            known = [p.item.serial for p in lookup.parts.placements if p.item.free]
            remedy = did_you_mean(name, known) or "Add a row for it to gauges.csv, with free = yes."
            yield placement.mistake("companion", f'"{name}"', "the serial of a gauge", remedy)
            continue
        rows = [p for p in lookup.parts.placements if p.item.serial == name]
        if rows:
            yield from _companion(lookup, placement, rows)


def _companion(
    lookup: Lookup, placement: Located[Placement], rows: list[Located[Placement]]
) -> Iterator[Mistake]:
    one, name = placement.item, rows[0].item.serial
    for fault, expected in (
        (any(not p.item.free for p in rows), "a gauge whose rows say free = yes: it feels no load"),
        (any(p.item.batch != one.batch for p in rows), f'a gauge of the same batch, "{one.batch}"'),
        (any(p.item.wiring in (*SEVERAL_ARMS, "linear") for p in rows), "one active arm"),
        (any(p.item.compensation == "companion" for p in rows), "one without a companion itself"),
        (
            any(lookup.structure_of(p.item) != lookup.structure_of(one) for p in rows),
            "a gauge on the same structure",
        ),
    ):
        if fault:
            remedy = "Name another companion, or mend its row."
            yield placement.mistake("companion", f'"{name}" of {rows[0].place}', expected, remedy)
    end = one.valid_to or _NEVER
    if not any(
        p.item.valid_from <= one.valid_from and end <= (p.item.valid_to or _NEVER) for p in rows
    ):
        found = f'"{name}", which is not in place all that time'
        until = iso(one.valid_to) if one.valid_to else "now"
        expected = f"a companion in place from {iso(one.valid_from)} until {until}"
        remedy = "Split this row where the companion came or went."
        yield placement.mistake("companion", found, expected, remedy)


def check_free(lookup: Lookup) -> Iterator[Mistake]:
    """A gauge on a free piece measures nothing that a limit may rest on."""
    for rule in lookup.parts.rules:
        if rule.item.kind != "level":
            continue
        for point in lookup.matched(rule.item):
            if any(p.item.free for p in lookup.present_at(point.item.id)):
                found = f'point "{point.item.id}", whose gauge sits on a free piece'
                remedy = "Take the point out of the patterns: a free piece carries no load."
                yield rule.mistake("points", found, "points on the structure", remedy)
