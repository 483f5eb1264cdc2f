"""
Strain that the bench applies, from the load by beam theory, and how well it is known.

ε = 6·P·(L - x)/(E·b·h²)·(1 + 2t/h)·transfer. What is uncertain here is the same in every run: it
moves the whole curve, no repetition shows it, and it is kept apart from what scatters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.bench.sheet import Sheet
from pipeline.blocks import Floats
from pipeline.physics.beam import cantilever_strain, standoff_ratio


@dataclass(frozen=True)
class Geometry:
    """Where one gauge sits on the bar, and how high its layer is; lengths in m."""

    arm: float
    """L - x."""
    width: float
    thickness: float
    modulus: float
    """[Pa]."""
    standoff: float
    transfer: float

    def strain(self, load: Floats) -> Floats:
        """Strain of the layer under a load [N]."""
        surface = cantilever_strain(load, self.arm, self.width, self.thickness, self.modulus)
        return surface * (standoff_ratio(self.standoff, self.thickness) * self.transfer)


def geometry(sheet: Sheet, serial: str) -> Geometry:
    """Geometry of a gauge: [beam] and [layer], with what [[gauge]] or [reference] say instead."""
    beam, layer = sheet.beam.item, sheet.layer.item
    at, standoff, transfer = beam.gauge_at_m, layer.standoff_m, layer.transfer
    reference = sheet.reference.item if sheet.reference is not None else None
    if reference is not None and reference.serial == serial:
        standoff, transfer = reference.standoff_m, 1.0
        at = beam.gauge_at_m if reference.gauge_at_m is None else reference.gauge_at_m
    for place in (one.item for one in sheet.gauges if one.item.serial == serial):
        at = at if place.gauge_at_m is None else place.gauge_at_m
        standoff = standoff if place.standoff_m is None else place.standoff_m
    modulus = beam.modulus_gpa * 1e9
    arm = beam.load_at_m - at
    return Geometry(arm, beam.width_m, beam.thickness_m, modulus, standoff, transfer)


def strain_shares(sheet: Sheet, at: Geometry, *, uses_mass: bool) -> dict[str, float]:
    """
    Relative standard uncertainty of the strain from each input, by name; sum them in squares.

    First order (JCGM 100, 5.1.2): dε/ε = dP/P + d(L - x)/(L - x) - dE/E - db/b
    - (2 + s)·dh/h + s·dt/t + d(transfer)/transfer, with s = (2t/h)/(1 + 2t/h). Local g counts
    only where masses were written down (`uses_mass`).
    """
    beam, layer = sheet.beam.item, sheet.layer.item
    s = 1.0 - 1.0 / standoff_ratio(at.standoff, at.thickness)
    per_standoff = (2.0 / at.thickness) / standoff_ratio(at.standoff, at.thickness)
    return {
        "load": beam.load_u_percent / 100.0,
        "gravity": beam.gravity_u_m_s2 / beam.gravity_m_s2 if uses_mass else 0.0,
        "lever arm": math.hypot(beam.load_at_u_m, beam.gauge_at_u_m) / at.arm,
        "modulus": beam.modulus_u_gpa / beam.modulus_gpa,
        "width": beam.width_u_m / beam.width_m,
        "thickness": (2.0 + s) * beam.thickness_u_m / beam.thickness_m,
        "stand-off": per_standoff * layer.standoff_u_m,
        "transfer": layer.transfer_u / layer.transfer,
    }


def strain_u(shares: dict[str, float]) -> float:
    """Relative standard uncertainty of the applied strain: the root of the sum of squares."""
    return math.sqrt(math.fsum(share**2 for share in shares.values()))
