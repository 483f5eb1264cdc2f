"""
The bench sheet `bench.toml`: who calibrated what on which beam, and by which limits it is judged.

A standard uncertainty has the name of its quantity with `_u` in it, and its unit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path

from pipeline.errors import Mistake
from pipeline.site.documents import one_table, parse_toml, table_list, unknown_tables
from pipeline.site.located import Located, did_you_mean
from pipeline.site.models import Model
from pipeline.site.validate import validated

BENCH = "bench.toml"
_ONE = ("calibration", "instrument", "beam", "layer", "range", "acceptance", "reference")
_MANY = ("gauge", "left_out")


class About(Model):
    """[calibration]: what the calibration will say of itself."""

    id: str
    batch: str
    author: str
    source: str
    notes: str = ""
    recorded: datetime
    valid_from: datetime
    expires: datetime
    reference_temperature_c: float = 20.0
    reference_humidity_rh: float = 50.0


class Instrument(Model):
    """[instrument]: the meter of the bench."""

    name: str
    """With the date of its own calibration."""
    reading_u: float = 0.0
    """Standard uncertainty of one δ from the meter."""


class Beam(Model):
    """[beam]: a rectangular cantilever; distances are counted from the clamp."""

    width_m: float
    width_u_m: float
    thickness_m: float
    thickness_u_m: float
    load_at_m: float
    load_at_u_m: float
    gauge_at_m: float
    gauge_at_u_m: float
    modulus_gpa: float
    modulus_u_gpa: float
    poisson: float
    gravity_m_s2: float
    """Local g, which turns masses into loads."""
    gravity_u_m_s2: float = 0.0
    load_u_percent: float = 0.0
    """Of every load or mass: one scale or one set of weights."""


class Layer(Model):
    """[layer]: how far the sensing layer stands off the surface, and how much of it arrives."""

    standoff_m: float
    standoff_u_m: float
    transfer: float = 1.0
    transfer_u: float = 0.0


class Range(Model):
    """[range]: full scale, and the share of the largest tangent factor that means saturation."""

    full_scale_um_m: float
    saturation_share: float = 0.8


class Acceptance(Model):
    """[acceptance]: the limits of whoever uses the gauges; one left out is not judged."""

    factor_low: float | None = None
    factor_high: float | None = None
    """Secant factor at full scale."""
    factor_from_batch_percent: float | None = None
    linearity_percent: float | None = None
    hysteresis_percent: float | None = None
    zero_return_percent: float | None = None
    """These three of full scale."""
    repeatability_percent: float | None = None
    """s_r of the gauge's own factor."""
    hold_creep_percent: float | None = None
    """Of δ at the start of the hold."""
    saturation_um_m: float | None = None
    """Least strain at which the gauge may saturate."""


class Reference(Model):
    """[reference]: a foil gauge of known factor on the same bar, as a second look at the strain."""

    serial: str
    factor: float
    factor_u: float
    gauge_at_m: float | None = None
    standoff_m: float = 0.0


class GaugePlace(Model):
    """[[gauge]]: a gauge that sits elsewhere on the bar, or higher, than [beam] and [layer] say."""

    serial: str
    gauge_at_m: float | None = None
    standoff_m: float | None = None


class LeftOut(Model):
    """[[left_out]]: a gauge whose rows are not used, and why; it stands in the report."""

    serial: str
    reason: str


@dataclass(frozen=True)
class Sheet:
    """The tables of bench.toml, each with the place where it stands."""

    calibration: Located[About]
    instrument: Located[Instrument]
    beam: Located[Beam]
    layer: Located[Layer]
    range: Located[Range]
    acceptance: Located[Acceptance] | None
    reference: Located[Reference] | None
    gauges: tuple[Located[GaugePlace], ...]
    left_out: tuple[Located[LeftOut], ...]


_MODELS: dict[str, type[Model]] = {
    "calibration": About,
    "instrument": Instrument,
    "beam": Beam,
    "layer": Layer,
    "range": Range,
    "acceptance": Acceptance,
    "reference": Reference,
    "gauge": GaugePlace,
    "left_out": LeftOut,
}
_OPTIONAL = ("acceptance", "reference")


def read_sheet(folder: Path, text: str) -> tuple[Sheet | None, list[Mistake]]:
    """
    The sheet, or None and every mistake of form in it.

    Args:
        folder: as messages shall show it.
        text: of bench.toml.
    """
    file = str(folder / BENCH)
    document, mistakes = parse_toml(text, file)
    if document is None:
        return None, mistakes
    mistakes += unknown_tables(document, (*_ONE, *_MANY), file, text)
    found: dict[str, object] = {}
    for name in _ONE:
        entry, told = one_table(document, name, text, file, required=name not in _OPTIONAL)
        mistakes += told
        valid, told, _ = validated(_MODELS[name], [entry] if entry else [])
        mistakes += told
        found[name] = valid[0] if valid else None
    for name in _MANY:
        entries, told = table_list(document, name, text, file) if name in document else ([], [])
        mistakes += told
        several, told, _ = validated(_MODELS[name], entries)
        mistakes += told
        found["gauges" if name == "gauge" else name] = tuple(several)
    if mistakes:
        return None, mistakes
    sheet = Sheet(**{one.name: found[one.name] for one in fields(Sheet)})  # type: ignore[arg-type]
    return sheet, list(_sheet_mistakes(sheet))


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


def _sheet_mistakes(sheet: Sheet) -> Iterator[Mistake]:
    for table in (sheet.beam, sheet.layer):
        for key, (least, most, example) in _PLAUSIBLE.items():
            value = getattr(table.item, key, None)
            if value is not None and not least <= value <= most:
                remedy = f"Write it in the unit of its name: {example}."
                expected = f"{least:g} to {most:g}"
                yield table.mistake(key, f"{value:g}", expected, remedy)
    yield from _uncertainty_mistakes(sheet)
    beam = sheet.beam.item
    places = [(sheet.beam, beam.gauge_at_m), *((g, g.item.gauge_at_m) for g in sheet.gauges)]
    if sheet.reference is not None:
        places.append((sheet.reference, sheet.reference.item.gauge_at_m))
    for table, place in places:
        if place is not None and not 0 <= place < beam.load_at_m:
            remedy = "Both are counted from the clamp; the gauge lies between clamp and load."
            expected = f"a place below load_at_m, {beam.load_at_m:g} m"
            yield table.mistake("gauge_at_m", f"{place:g} m", expected, remedy)
    yield from _other_mistakes(sheet)


def _uncertainty_mistakes(sheet: Sheet) -> Iterator[Mistake]:
    for table in (sheet.beam, sheet.layer, sheet.instrument, sheet.reference):
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
