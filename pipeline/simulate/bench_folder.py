"""
The bar of the bench with what it truly measures, and the files of a bench folder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

GRAVITY = 9.8123
CHAMBER_U_K, CHAMBER_U_RH = 0.1, 1.0
"""Standard uncertainty of the chamber's sensors, which is drawn once for a bench."""


@dataclass(frozen=True)
class Beam:
    """A steel cantilever; the defaults are what the sheet says."""

    width_m: float = 0.025
    thickness_m: float = 0.003
    load_at_m: float = 0.300
    gauge_at_m: float = 0.050
    modulus_gpa: float = 210.0
    standoff_m: float = 1.0e-4
    load: float = 1.0
    """True over nominal mass."""

    def strain(self, mass_kg: float) -> float:
        """
        Strain of the sensing layer.

        6·P·(L - x)/(E·b·h²) at the surface, times 1 + 2t/h at a distance t above it.
        """
        arm = self.load_at_m - self.gauge_at_m
        force = self.load * mass_kg * GRAVITY
        section = self.modulus_gpa * 1e9 * self.width_m * self.thickness_m**2
        return 6.0 * force * arm / section * (1.0 + 2.0 * self.standoff_m / self.thickness_m)


UNCERTAINTIES = {
    "width_m": 2e-5,
    "thickness_m": 5e-6,
    "load_at_m": 3e-4,
    "gauge_at_m": 3e-4,
    "modulus_gpa": 1.0,
    "standoff_m": 5e-6,
    "load": 2e-4,
}
"""Standard uncertainties that the sheet states."""

_SHEET = """\
[calibration]
id = "cal-{id}"
batch = "{batch}"
author = "Ines Oakhollow"
source = "bench, chamber, hold and rest of {batch}, March 2026"
recorded = 2026-03-30T09:00:00Z
valid_from = 2026-03-30T09:00:00Z
expires = 2028-03-30T09:00:00Z
reference_temperature_c = 20.0
reference_humidity_rh = 50.0

[instrument]
name = "six-digit meter no. 2, calibrated 2026-01-12"
reading_u = {reading_u:g}

[beam]
width_m = 0.025
width_u_m = 0.00002
thickness_m = 0.003
thickness_u_m = 0.000005
load_at_m = 0.3
load_at_u_m = 0.0003
gauge_at_m = 0.05
gauge_at_u_m = 0.0003
modulus_gpa = 210.0
modulus_u_gpa = 1.0
poisson = 0.3
gravity_m_s2 = 9.8123
load_u_percent = 0.02

[layer]
standoff_m = {standoff:g}
standoff_u_m = {standoff_u:g}

[range]
full_scale_um_m = {full_scale:.0f}

[chamber]
yields = "mechanical"
expansion_1e6_per_k = {expansion:g}
chamber_u_k = {chamber_u_k:g}
chamber_u_rh = {chamber_u_rh:g}
"""

_REFERENCE = """
[reference]
serial = "{serial}"
factor = {factor:g}
factor_u = {factor_u:g}
"""


def true_beam(random: np.random.Generator) -> Beam:
    """The bar as it is: each figure off by a draw from its stated uncertainty."""
    stated = Beam()
    drawn = random.standard_normal(len(UNCERTAINTIES)).tolist()
    off = zip(UNCERTAINTIES.items(), drawn, strict=True)
    return Beam(**{name: getattr(stated, name) + u * n for (name, u), n in off})


def bench_toml(
    batch: str,
    *,
    full_scale_um_m: float,
    reading_u: float,
    expansion_1e6_per_k: float,
    reference: tuple[str, float] | None,
) -> str:
    """
    Text of bench.toml.

    Args:
        batch: its id.
        full_scale_um_m: strain at the largest mass.
        reading_u: standard uncertainty of one δ from the meter.
        expansion_1e6_per_k: α of the coupons.
        reference: serial and stated factor of the foil gauge on the bar; None: there is none.
    """
    text = _SHEET.format(
        id=batch.lower(),
        batch=batch,
        reading_u=reading_u,
        standoff=Beam().standoff_m,
        standoff_u=UNCERTAINTIES["standoff_m"],
        full_scale=full_scale_um_m,
        expansion=expansion_1e6_per_k,
        chamber_u_k=CHAMBER_U_K,
        chamber_u_rh=CHAMBER_U_RH,
    )
    if reference is None:
        return text
    serial, factor = reference
    return text + _REFERENCE.format(serial=serial, factor=factor, factor_u=0.005 * factor)


def csv_text(columns: Mapping[str, npt.NDArray[np.generic]]) -> str:
    """CSV with a heading; NaN is an empty cell, numbers have all their digits."""
    cells = [[_cell(value) for value in column.tolist()] for column in columns.values()]
    lines = [",".join(columns), *(",".join(row) for row in zip(*cells, strict=True))]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if value != value else repr(value)
    return str(value)
