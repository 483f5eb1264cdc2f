"""
The shapes a calibration curve may have, each described by figures that average over runs.

A polynomial's figures are its coefficients of ε, ε², ε³; a monotone cubic's are δ at its knots.
All run through zero, since δ counts from zero load. Both kinds of figures are linear in δ, so
that the mean of the runs' figures is a fit to all runs at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.bench.response import GaugeResponse, Response
from pipeline.blocks import Floats
from pipeline.physics.curve import GaugeCurve, monotone_curve, polynomial_curve
from pipeline.physics.regression import linear_fit

Kind = Literal["line", "quadratic", "cubic", "monotone"]
KINDS: tuple[Kind, ...] = ("line", "quadratic", "cubic", "monotone")
"""From the simplest on."""
_ORDER = {"line": 1, "quadratic": 2, "cubic": 3}


@dataclass(frozen=True, eq=False)
class Shape:
    """One kind of curve over one range, common to all gauges of the batch."""

    kind: Kind
    lo: float
    hi: float
    """The calibrated range, m/m: what every gauge reached; an end never reached is 0."""
    knots: Floats
    """Strains of the knots, with 0 and both ends; used by `monotone` only."""

    @property
    def size(self) -> int:
        """How many figures describe a curve."""
        return len(self.knots) if self.kind == "monotone" else _ORDER[self.kind]

    def curve(self, figures: Floats) -> GaugeCurve:
        """
        The curve with these figures.

        Raises:
            ValueError: it is not strictly monotone in the range.
        """
        if self.kind == "monotone":
            return monotone_curve(self.knots, figures, self.lo, self.hi)
        return polynomial_curve([float(c) for c in figures], self.lo, self.hi)

    def figures(self, gauge: GaugeResponse, response: Response) -> Floats:
        """
        Figures of one run by least squares, shape (size,); whether `curve` takes them it says.

        Raises:
            ValueError: too few load levels for this shape.
        """
        if self.kind == "monotone":
            return self._knot_deltas(gauge, response)
        rows = response.is_fitted & (response.strain != 0.0)
        strain = response.strain[rows]
        if len(np.unique(np.round(strain / np.max(np.abs(strain)), 3))) < self.size:
            raise ValueError(f"too few load levels for a {self.kind} curve")
        design = np.column_stack([strain**i for i in range(1, self.size + 1)])
        return linear_fit(design, response.delta[rows]).coefficients

    def _knot_deltas(self, gauge: GaugeResponse, response: Response) -> Floats:
        delta = response.at_levels(response.delta, response.is_fitted, len(gauge.loads))
        strain = response.at_levels(response.strain, response.is_fitted, len(gauge.loads))
        here = np.isfinite(delta)
        delta[gauge.loads == 0.0] = 0.0  # through zero, whatever the zero at the end was
        strain, delta = strain[here], delta[here]
        try:
            at_knots = monotone_curve(strain, delta, strain[0], strain[-1]).delta(self.knots)
        except ValueError:  # steps that turn: good enough to say how well they would have fitted
            at_knots = np.interp(self.knots, strain, delta)
        return np.where(self.knots == 0.0, 0.0, at_knots)

    def weights(self, strain: Floats) -> Floats:
        """dF/d(figure) at each strain, shape (size, n); between two knots the share of the way."""
        if self.kind == "monotone":
            return np.array([np.interp(strain, self.knots, row) for row in np.eye(self.size)])
        return np.array([strain ** (i + 1) for i in range(self.size)])

    def stretched(self, figures: Floats) -> Floats:
        """
        Change of the figures per relative change of every applied strain.

        δ = F(ε) with ε in truth larger by s is F(ε/(1 + s)): dF = -s·ε·F′(ε).
        """
        if self.kind == "monotone":
            return np.asarray(-self.knots * self.curve(figures).slope(self.knots))
        return np.asarray(-np.arange(1, self.size + 1) * figures)


def shapes(gauges: Sequence[GaugeResponse]) -> tuple[Shape, ...]:
    """A shape of each kind over the range that every gauge of the batch reached."""
    lo = max(min(float(g.strains[0]), 0.0) for g in gauges)
    hi = min(max(float(g.strains[-1]), 0.0) for g in gauges)
    knots = _common_knots(gauges, lo, hi)
    return tuple(Shape(kind, lo, hi, knots) for kind in KINDS)


def _common_knots(gauges: Sequence[GaugeResponse], lo: float, hi: float) -> Floats:
    """
    Knots at the levels of the first gauge, drawn in to the common range.

    Gauges that sit elsewhere on the bar feel other strains at the same loads: their own curves
    are read off at these knots.
    """
    first = gauges[0].strains
    scale = (
        lo / first[0] if first[0] < 0.0 else 1.0,
        hi / first[-1] if first[-1] > 0.0 else 1.0,
    )
    knots = np.where(first < 0.0, first * scale[0], first * scale[1])
    knots[0], knots[-1] = min(lo, 0.0), max(hi, 0.0)
    return np.asarray(knots)
