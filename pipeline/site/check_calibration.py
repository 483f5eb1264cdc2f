"""
A calibration in itself: whose it is, its tables for climate, creep and ageing, and its history.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Calibration, Temperature


def check_histories(lookup: Lookup) -> Iterator[Mistake]:
    """Calibrations of one id differ in `valid_from` or in `recorded`; the later one counts."""
    first: dict[tuple[str, datetime, datetime], Located[Calibration]] = {}
    for calibration in lookup.parts.calibrations:
        one = calibration.item
        known = first.setdefault((one.id, one.valid_from, one.recorded), calibration)
        if known is not calibration:
            found = f"id, valid_from and recorded as in {known.file}"
            expected = "another valid_from, or a later recorded if this one corrects it"
            remedy = "Take one of the two files out, or say when this one was recorded."
            yield calibration.mistake("valid_from", found, expected, remedy)


def check_owners(lookup: Lookup) -> Iterator[Mistake]:
    """A calibration is of one serial or of one batch, and says who made it from what."""
    for calibration in lookup.parts.calibrations:
        one = calibration.item
        if (one.serial is None) == (one.batch is None):
            found = "neither" if one.serial is None else "both"
            remedy = 'Write batch = "…" for a whole batch, or serial = "…" for one gauge.'
            yield calibration.mistake("batch", found, "either serial or batch", remedy)
        for key in ("author", "source", "instrument"):
            if not getattr(one, key).strip():
                remedy = "Write it, so that any number can be traced to its bench run."
                yield calibration.mistake(key, "an empty text", f"the {key}", remedy)


def check_kinds(lookup: Lookup) -> Iterator[Mistake]:
    """Strain calibrations have a curve, linear ones a scale and nothing else."""
    for calibration in lookup.parts.calibrations:
        one = calibration.item
        if one.kind == "strain":
            if one.curve is None:
                remedy = "Add [curve], as `spanwarden calibrate` writes it."
                yield calibration.mistake("curve", "no [curve]", "a curve for kind strain", remedy)
            if one.scale is not None:
                remedy = 'Take it out, or write kind = "linear".'
                yield calibration.mistake("scale", f"{one.scale:g}", "no scale for strain", remedy)
            continue
        if one.scale is None or one.scale == 0:
            found = "no scale" if one.scale is None else "0"
            remedy = "Write scale in units of the point per unit of the channel."
            yield calibration.mistake("scale", found, "a scale other than 0 for linear", remedy)
        if one.scale_u < 0:
            remedy = "Write 0 or a number above."
            yield calibration.mistake("scale_u", f"{one.scale_u:g}", "not below 0", remedy)
        for key in ("curve", "temperature", "moisture", "creep", "ageing"):
            if getattr(one, key):
                remedy = "The chain does not use it for linear sensors: take it out."
                yield calibration.mistake(key, f"[{key}]", f"no {key} for kind linear", remedy)


def check_climate_tables(lookup: Lookup) -> Iterator[Mistake]:
    """[temperature] and [moisture] say one thing each, in a range that holds the reference."""
    for calibration in lookup.parts.calibrations:
        if calibration.item.temperature is not None:
            yield from _temperature(calibration, calibration.item.temperature)
        moisture = calibration.item.moisture
        if moisture is not None:
            if not moisture.output:
                remedy = "Write the coefficients of (w - w_ref), (w - w_ref)², …"
                yield calibration.mistake("moisture.output", "an empty list", "figures", remedy)
            if moisture.time_constant_s <= 0:
                found, key = f"{moisture.time_constant_s:g} s", "moisture.time_constant_s"
                yield calibration.mistake(key, found, "a time above 0", "Write it in seconds.")
        if not 0 <= calibration.item.reference_humidity_rh <= 100:
            found = f"{calibration.item.reference_humidity_rh:g} %RH"
            remedy = "Write it in %RH, for example 50."
            yield calibration.mistake("reference_humidity_rh", found, "0 to 100 %RH", remedy)


def _temperature(calibration: Located[Calibration], one: Temperature) -> Iterator[Mistake]:
    if bool(one.output) == bool(one.output_um_m):
        found = "both output and output_um_m" if one.output else "neither output nor output_um_m"
        remedy = "Keep output for a chamber run in δ, or output_um_m for a data sheet in µm/m."
        yield calibration.mistake("temperature.output", found, "exactly one of the two", remedy)
    if one.output_um_m and (one.output_factor is None or one.output_factor == 0):
        remedy = "Write the factor at which the data sheet states its thermal output, often 2.0."
        found, key = "no factor", "temperature.output_factor"
        yield calibration.mistake(key, found, "a factor beside output_um_m", remedy)
    if one.output_factor is not None and not one.output_um_m:
        remedy = "Take it out: output is in δ and needs no factor."
        key = "temperature.output_factor"
        yield calibration.mistake(key, f"{one.output_factor:g}", "no factor beside output", remedy)
    if one.yields == "mechanical" and one.output_expansion_1e6_per_k is None:
        found, key = "no material", "temperature.output_expansion_1e6_per_k"
        expected = "the expansion of the material on which it was measured"
        remedy = 'Write it, 12.0 for steel; for a bare film write yields = "total".'
        yield calibration.mistake(key, found, expected, remedy)
    low, high = one.range_c
    reference = calibration.item.reference_temperature_c
    if not low < high or not low <= reference <= high:
        found = f"{low:g} to {high:g} °C"
        expected = f"a range that contains the reference, {reference:g} °C"
        remedy = "Write the range of the chamber run, and the reference inside it."
        yield calibration.mistake("temperature.range_c", found, expected, remedy)


def check_uncertainties(lookup: Lookup) -> Iterator[Mistake]:
    """Standard uncertainties of a calibration are not negative; time constants are positive."""
    for calibration in lookup.parts.calibrations:
        one = calibration.item
        for name, table in (
            ("temperature", one.temperature),
            ("moisture", one.moisture),
            ("ageing", one.ageing),
        ):
            for key in type(table).model_fields if table is not None else ():
                value = getattr(table, key)
                is_u = key.endswith("_u") or key.startswith("sensor_u")
                if is_u and value < 0:
                    remedy = "Write 0 or a number above."
                    yield calibration.mistake(f"{name}.{key}", f"{value:g}", "not below 0", remedy)
        for i, creep in enumerate(one.creep, start=1):
            if creep.time_constant_s <= 0 or creep.fraction_u < 0:
                found = f"time_constant_s {creep.time_constant_s:g}, u {creep.fraction_u:g}"
                expected = "a time constant above 0 and no negative uncertainty"
                yield calibration.mistake(f"creep, term {i}", found, expected, "Mend the term.")
        total = sum(creep.fraction for creep in one.creep)
        if not -1 < total < 1:
            remedy = "Write fractions, not percentages: 2 % is 0.02."
            yield calibration.mistake("creep", f"{total:g} in all", "less than 1 in all", remedy)
