"""
A bench sheet in itself: lengths in their unit, places that fit each other, names that are known.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from pipeline.bench.sheet import GaugePlace, LeftOut, Reference, Sheet
from pipeline.errors import Mistake
from pipeline.site.located import Located, did_you_mean

_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
# Key of [beam] or [layer], least and largest plausible value, and what a bench man would write.
_PLAUSIBLE = {
    "width_m": (0.002, 0.5, "25 mm is 0.025"),
    "thickness_m": (0.0002, 0.05, "5 mm is 0.005"),
    "load_at_m": (0.02, 5.0, "300 mm is 0.3"),
    "gauge_at_m": (0.0, 5.0, "50 mm is 0.05"),
    "modulus_gpa": (0.5, 450.0, "steel is 210, aluminium 70"),
    "poisson": (0.0, 0.5, "steel is 0.3"),
    "gravity_m_s2": (9.76, 9.84, "9.81, or the local value with more digits"),
    "standoff_m": (0.0, 0.01, "0.1 mm is 0.0001"),
    "transfer": (0.05, 1.5, "all of the strain is 1.0"),
}


def check_sheet(sheet: Sheet) -> Iterator[Mistake]:
    """Every mistake that can be told without the runs."""
    tables: tuple[Located[Any], ...] = (sheet.beam, sheet.layer)
    for table in tables:
        for key, (least, most, example) in _PLAUSIBLE.items():
            value = getattr(table.item, key, None)
            if value is not None and not least <= value <= most:
                remedy = f"Write it in the unit of its name: {example}."
                expected = f"{least:g} to {most:g}"
                yield table.mistake(key, f"{value:g}", expected, remedy)
    yield from _uncertainty_mistakes(sheet)
    beam = sheet.beam.item
    placed: list[Located[Any]] = [sheet.beam, *sheet.gauges]
    placed += [] if sheet.reference is None else [sheet.reference]
    for table in placed:
        place = table.item.gauge_at_m
        if place is not None and not 0 <= place < beam.load_at_m:
            remedy = "Both are counted from the clamp; the gauge lies between clamp and load."
            expected = f"a place below load_at_m, {beam.load_at_m:g} m"
            yield table.mistake("gauge_at_m", f"{place:g} m", expected, remedy)
    yield from _other_mistakes(sheet)


def _uncertainty_mistakes(sheet: Sheet) -> Iterator[Mistake]:
    tables: tuple[Located[Any] | None, ...]
    tables = (sheet.beam, sheet.layer, sheet.instrument, sheet.reference)
    for table in tables:
        for key in type(table.item).model_fields if table is not None else ():
            if "_u" not in key or table is None:
                continue
            value = getattr(table.item, key)
            if value < 0:
                yield table.mistake(key, f"{value:g}", "not below 0", "Write 0 or more.")
            quantity = getattr(table.item, key.replace("_u_", "_").removesuffix("_u"), None)
            if isinstance(quantity, float) and quantity and value > 0.5 * abs(quantity):
                remedy = "Write it in the same unit as the quantity."
                found, expected = f"{value:g} of {quantity:g}", "a small part of the quantity"
                if not key.startswith("standoff"):
                    yield table.mistake(key, found, expected, remedy)


def _other_mistakes(sheet: Sheet) -> Iterator[Mistake]:
    about, span = sheet.calibration.item, sheet.range.item
    for key in ("id", "batch", "author", "source"):
        if not getattr(about, key).strip():
            remedy = "Write it, so that any number can be traced to this bench."
            yield sheet.calibration.mistake(key, "nothing", "a text", remedy)
    if about.id.strip() and not _FILE_NAME.fullmatch(about.id):
        remedy = "It is the name of the calibration's file as well: cal-pc40-2026."
        expected = "letters, digits, dot, dash and underscore"
        yield sheet.calibration.mistake("id", f'"{about.id}"', expected, remedy)
    if not about.valid_from < about.expires:
        remedy = "Write until when the calibration may be used."
        expected = f"a time after valid_from, {about.valid_from.isoformat()}"
        yield sheet.calibration.mistake("expires", about.expires.isoformat(), expected, remedy)
    if not 1 <= span.full_scale_um_m <= 1e5:
        remedy = "Write it in µm/m: 0.0014 is 1400."
        found = f"{span.full_scale_um_m:g}"
        yield sheet.range.mistake("full_scale_um_m", found, "1 to 100000 µm/m", remedy)
    if not 0 < span.saturation_share < 1:
        found = f"{span.saturation_share:g}"
        remedy = "Write a share: 80 % is 0.8."
        yield sheet.range.mistake("saturation_share", found, "between 0 and 1", remedy)
    if sheet.sheet is not None and sheet.chamber is not None:
        remedy = "Keep the one that the calibration shall rest on."
        yield sheet.sheet.mistake("", "[sheet] beside [chamber]", "one of the two", remedy)
    if sheet.reference is not None and not 0.5 <= abs(sheet.reference.item.factor) <= 5:
        found, expected = f"{sheet.reference.item.factor:g}", "that of a foil gauge, 1.8 to 2.2"
        remedy = "Copy it from the foil's data sheet."
        yield sheet.reference.mistake("factor", found, expected, remedy)
    for one in sheet.left_out:
        if not one.item.reason.strip():
            remedy = "Write why: whoever reads the report must be able to judge it."
            yield one.mistake("reason", "nothing", "a reason", remedy)


def unknown_serials(sheet: Sheet, serials: set[str]) -> Iterator[Mistake]:
    """Serials that [[gauge]], [[left_out]] or [reference] name and runs.csv does not."""
    named: list[Located[GaugePlace] | Located[LeftOut] | Located[Reference]]
    named = [*sheet.gauges, *sheet.left_out]
    if sheet.reference is not None:
        named.append(sheet.reference)
    for one in named:
        if one.item.serial not in serials:
            remedy = did_you_mean(one.item.serial, serials)
            found = f'"{one.item.serial}"'
            yield one.mistake("serial", found, "a serial of runs.csv", remedy)
