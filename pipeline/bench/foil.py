"""
The foil gauge on the same bar: does beam theory say the strain that a known factor measures?

E_n = (ratio - 1)/U95 with the uncertainties of both sides; beyond 1 they disagree (ISO 13528).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.bench.applied import geometry, strain_shares, strain_u
from pipeline.bench.response import GaugeResponse, gauge_response
from pipeline.bench.runs import Bench
from pipeline.blocks import Floats
from pipeline.physics.uncertainty import half_u95


@dataclass(frozen=True, eq=False)
class FoilComparison:
    """Strain by the foil over strain by beam theory."""

    serial: str
    ratio: float
    """Slope through zero, mean of the runs."""
    ratio_u: float
    """U95/2, of foil factor, repetition and beam theory together."""
    e_n: float
    beam: Floats
    """Strain of each level by beam theory, at the foil, µm/m."""
    foil: Floats
    """Mean strain of each level by the foil, µm/m."""

    @property
    def agrees(self) -> bool:
        """Whether the two agree within their uncertainties."""
        return abs(self.e_n) <= 1.0


def compare_foil(bench: Bench) -> FoilComparison | None:
    """The comparison, or None where the bench has no reference gauge."""
    reference = bench.sheet.reference
    if reference is None or not bench.reference:
        return None
    one = reference.item
    gauge = gauge_response(bench, one.serial)
    ratios = [_slope(gauge, i) / one.factor for i in range(len(gauge.runs))]
    ratio = float(np.mean(ratios))
    shares = strain_shares(
        bench.sheet, geometry(bench.sheet, one.serial), uses_mass=bench.uses_mass
    )
    # The foil has no layer of its own to be uncertain of: the sheet's is the printed gauge's.
    shares = {key: share for key, share in shares.items() if key not in ("stand-off", "transfer")}
    scatter = float(np.var(ratios, ddof=1)) / len(ratios) if len(ratios) > 1 else 0.0
    parts = [
        ((one.factor_u / one.factor * ratio) ** 2, math.inf),
        ((strain_u(shares) * ratio) ** 2, math.inf),
        (scatter, max(len(ratios) - 1.0, 1.0)),
    ]
    u = float(half_u95(parts, 1)[0])
    return FoilComparison(
        one.serial,
        ratio,
        u,
        (ratio - 1.0) / (2.0 * u) if u > 0.0 else math.copysign(math.inf, ratio - 1.0),
        gauge.strains * 1e6,
        gauge.means() / one.factor * 1e6,
    )


def _slope(gauge: GaugeResponse, run: int) -> float:
    response = gauge.runs[run]
    rows = response.is_fitted
    strain, delta = response.strain[rows], response.delta[rows]
    return float(strain @ delta / (strain @ strain))
