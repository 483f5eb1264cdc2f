"""
The bench sheet `bench.toml`: who calibrated what on which beam, and by which limits it is judged.

A standard uncertainty has the name of its quantity with `_u` in it, and its unit.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Literal

from pipeline.errors import Mistake
from pipeline.site.documents import one_table, parse_toml, table_list, unknown_tables
from pipeline.site.located import Located
from pipeline.site.models import Model
from pipeline.site.validate import validated

BENCH = "bench.toml"
_NEEDED = ("calibration", "instrument", "beam", "layer", "range")
_OPTIONAL = ("acceptance", "reference", "chamber", "sheet")
_ONE = (*_NEEDED, *_OPTIONAL)
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


class Chamber(Model):
    """[chamber]: what chamber.csv was run on; needed where that file is."""

    yields: Literal["mechanical", "total"]
    """Strain that is left when A(T) is taken off."""
    expansion_1e6_per_k: float | None = None
    """α of the coupon; leave it out for the bare film."""
    chamber_u_k: float = 0.2
    chamber_u_rh: float = 2.0
    """Standard uncertainty of the chamber's two sensors."""
    sensor_u_k: float = 0.2
    sensor_u_rh: float = 2.0
    """Of those in the field."""


class ThermalSheet(Model):
    """[sheet]: thermal output of a foil lot from its data sheet, instead of a chamber run."""

    output_um_m: tuple[float, ...]
    """µm/m per (T - about_c)ⁱ, i from 1."""
    factor: float
    """At which the sheet states it."""
    expansion_1e6_per_k: float
    yields: Literal["mechanical", "total"]
    range_c: tuple[float, float]
    about_c: float
    u_um_m_per_k: float
    factor_per_k: float = 0.0
    factor_per_k_u: float = 0.0
    sensor_u_k: float = 0.2


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
    chamber: Located[Chamber] | None
    sheet: Located[ThermalSheet] | None
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
    "chamber": Chamber,
    "sheet": ThermalSheet,
    "gauge": GaugePlace,
    "left_out": LeftOut,
}


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
        entry, told = one_table(document, name, text, file, required=name in _NEEDED)
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
    return sheet, []
