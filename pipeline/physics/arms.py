"""
Bridges with several active arms, solved through the curve of their gauges.

Arm i feels the strain a_i·ε and has the resistance R0·(1 + C + g·F(a_i·ε)) + R_L: its own load with
the factor's change g = 1 + c_k·(T - T_ref), and what is common to the arms: the climate and age C,
the lead R_L. A bridge shows ratios of resistances only, so that whatever is common acts as a gain
on F alone, exactly: 1 + C + g·F + R_L/R0 is proportional to 1 + h·F with
h = g/(1 + C + R_L/R0). Nothing additive is left: climate must not be taken off a second time.

The variable of the chain is the δ that arm 1 of gauges of constant factor would have at the same
output, leads taken off: y = (1 + R_L/R0)·δ(r), with δ(r) the closed form of the wiring and
r = E(h·F(a_1·ε), …, h·F(a_4·ε)). For F = k·ε it is k·ε itself. Of full bridges r = e - e0: how
their imbalance is shared out among the arms cannot be known; it matters by its square only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.physics import bridge
from pipeline.physics.curve import GaugeCurve

Floats = npt.NDArray[np.float64]
Arms = tuple[float, float, float, float]

_STEPS, _SMALL = 90, 1e-9
_NOTHING = 1e-20
"""Of a strain: below it nothing is told apart."""
_CLOSED_GAP, _NO_GAP = 1e-6, 1e-17
"""Relative and absolute gap in V/V below which an output counts as met."""
_GRID, _GUESSES = 513, 257

_STRAINS: Mapping[str, Callable[[float], Arms]] = {
    "half_bending": lambda _: (1.0, -1.0, 0.0, 0.0),
    "half_poisson": lambda v: (1.0, -v, 0.0, 0.0),
    "full_bending": lambda _: (1.0, -1.0, 1.0, -1.0),
    "full_poisson_bending": lambda v: (1.0, -v, v, -1.0),
    "full_poisson_axial": lambda v: (1.0, -v, 1.0, -v),
}
_CLOSED: Mapping[str, Callable[[npt.ArrayLike, float], Floats]] = {
    "half_bending": lambda r, _: bridge.half_bending_delta(r),
    "half_poisson": bridge.half_poisson_delta,
    "full_bending": lambda r, _: bridge.full_bending_delta(r),
    "full_poisson_bending": bridge.full_poisson_bending_delta,
    "full_poisson_axial": bridge.full_poisson_axial_delta,
}
SEVERAL = frozenset(_STRAINS)
"""Wirings with several active arms."""


def arm_strains(wiring: str, poisson: float) -> Arms:
    """a_i: strain of each arm over that of arm 1, tension positive; 0: a passive arm."""
    return _STRAINS[wiring](poisson)


def output_ratio(deltas: Sequence[npt.ArrayLike]) -> Floats:
    """
    Output [V/V] of a bridge, balanced at rest, from δ of its four arms.

    E = ½·((δ1 - δ2)/(2 + δ1 + δ2) + (δ3 - δ4)/(2 + δ3 + δ4)); keeps the digits of a small strain.
    """
    d1, d2, d3, d4 = (np.asarray(delta, np.float64) for delta in deltas)
    return np.asarray(0.5 * ((d1 - d2) / (2.0 + d1 + d2) + (d3 - d4) / (2.0 + d3 + d4)))


def equivalent_delta(r: npt.ArrayLike, wiring: str, poisson: float) -> Floats:
    """δ of arm 1 of gauges of constant factor at the output r; NaN where no arms give it."""
    return _CLOSED[wiring](np.asarray(r, np.float64), poisson)


@dataclass(frozen=True, eq=False)
class BridgeCurve:
    """
    y = G(ε) of a bridge whose gauges all follow one curve F; used as a `GaugeCurve` is.

    `gain` is what the climate does to it, 1 at the reference climate: see `gain_of`. Beyond the
    range of F each arm goes on along its own end tangent.
    """

    gauge: GaugeCurve
    wiring: str
    poisson: float
    series: float = 0.0
    """R_L/R0: resistance of the lead in each active arm over that of the gauge."""

    @cached_property
    def lo(self) -> float:
        """Smallest strain at which no arm leaves the calibrated range."""
        return max(min(self.gauge.lo / a, self.gauge.hi / a) for a in self._active)

    @cached_property
    def hi(self) -> float:
        """Largest strain at which no arm leaves the calibrated range."""
        return min(max(self.gauge.lo / a, self.gauge.hi / a) for a in self._active)

    @cached_property
    def factor(self) -> float | None:
        """Constant gauge factor of the arms; None: their curve is bent."""
        return self.gauge.factor

    def gain_of(self, sensitivity: npt.ArrayLike, common: npt.ArrayLike) -> Floats:
        """
        What the climate makes of the gain: g/(1 + C/(1 + R_L/R0)).

        Args:
            sensitivity: g = 1 + c_k·(T - T_ref).
            common: C, δ that climate and age give to every arm.
        """
        share = np.asarray(common, np.float64) / (1.0 + self.series)
        return np.asarray(np.asarray(sensitivity, np.float64) / (1.0 + share))

    def delta(self, strain: npt.ArrayLike, gain: npt.ArrayLike = 1.0) -> Floats:
        """y at a strain; NaN where an arm would have nothing left of its resistance."""
        x, h = np.asarray(strain, np.float64), self._inner(gain)
        if self.gauge.factor is not None:
            return np.asarray(np.asarray(gain, np.float64) * self.gauge.factor * x)
        deltas = [h * value for value in self._loads(x)]
        possible = np.logical_and.reduce([delta > -1.0 for delta in deltas])
        closed = equivalent_delta(output_ratio(deltas), self.wiring, self.poisson)
        return np.asarray((1.0 + self.series) * np.where(possible, closed, np.nan))

    def slope(self, strain: npt.ArrayLike) -> Floats:
        """dG/dε at a strain and a gain of 1; NaN stays."""
        if self.gauge.factor is not None:
            return self.gauge.slope(strain)
        x = np.asarray(strain, np.float64)
        tangents = {a: self.gauge.slope(a * x) for a in set(self._active)}
        parts = [share * a * tangents[a] for a, share in self.shares(x)]
        return np.asarray(sum(parts[1:], parts[0]))

    def shares(self, strain: npt.ArrayLike) -> list[tuple[float, Floats]]:
        """a_i and dy/dF_i of each active arm at a strain: how much of y hangs on that arm's F."""
        x, h = np.asarray(strain, np.float64), self._inner(1.0)
        deltas = [np.asarray(h * value) for value in self._loads(x)]
        y = equivalent_delta(output_ratio(deltas), self.wiring, self.poisson)
        straight = _weights([np.asarray(a * y) for a in self._arms])
        per_y = sum((w * a for w, a in zip(straight, self._arms, strict=True)), np.zeros(x.shape))
        scale = h * (1.0 + self.series) / per_y
        bent = _weights(deltas)
        return [
            (a, np.asarray(w * scale)) for a, w in zip(self._arms, bent, strict=True) if a != 0.0
        ]

    def inverse(self, delta: npt.ArrayLike, gain: npt.ArrayLike = 1.0) -> Floats:
        """
        Strain at which `delta` gives y, to 1e-12; NaN where no arms give y.

        Newton that bisects where it would leave its bracket, which ends where an arm would have
        nothing left of its resistance.
        """
        y = np.asarray(delta, np.float64)
        if self.gauge.factor is not None:
            return np.asarray(y / (np.asarray(gain, np.float64) * self.gauge.factor))
        h = self._inner(gain)
        y, h = np.broadcast_arrays(y / (1.0 + self.series), h)
        straight = [a * y for a in self._arms]
        possible = np.logical_and.reduce([part > -1.0 for part in straight])
        target = output_ratio([np.where(possible, part, np.nan) for part in straight])
        emptied = self.gauge.inverse(-1.0 / h)
        ends = [np.asarray(emptied / a) for a in self._active]
        low = np.maximum.reduce([np.where(end < 0.0, end, -np.inf) for end in ends])
        high = np.minimum.reduce([np.where(end > 0.0, end, np.inf) for end in ends])
        grid = self._guesses
        guess = np.interp(y / h * self._inner(1.0), *grid)
        return self._solved(target, h, np.clip(guess, low, high), low, high)

    @cached_property
    def smallest_slope(self) -> float:
        """Smallest |dG/dε| over the range: what a δ can at most weigh in strain."""
        return float(np.min(np.abs(self.slope(np.linspace(self.lo, self.hi, _GRID)))))

    @cached_property
    def _arms(self) -> Arms:
        return arm_strains(self.wiring, self.poisson)

    @cached_property
    def _active(self) -> tuple[float, ...]:
        return tuple(a for a in self._arms if a != 0.0)

    @cached_property
    def _guesses(self) -> tuple[Floats, Floats]:
        """δ, ascending, and strain over the range, in the chain's variable without leads."""
        strain = np.linspace(self.lo, self.hi, _GUESSES)
        y = self.delta(strain) / (1.0 + self.series)
        order = np.argsort(y)
        return y[order], strain[order]

    def _inner(self, gain: npt.ArrayLike) -> Floats:
        return np.asarray(np.asarray(gain, np.float64) / (1.0 + self.series))

    def _loads(self, strain: Floats) -> list[Floats]:
        """F of each arm; arms that feel the same strain are worked out once."""
        known = {a: self.gauge.delta(a * strain) for a in set(self._active)}
        known[0.0] = np.zeros(strain.shape)
        return [known[a] for a in self._arms]

    def _solved(self, target: Floats, h: Floats, s: Floats, low: Floats, high: Floats) -> Floats:
        sign = 1.0 if self.gauge.slope(0.0) > 0.0 else -1.0
        gap, rest = np.zeros(s.shape), np.ones(s.shape, bool)
        with np.errstate(divide="ignore", invalid="ignore"):
            for _ in range(_STEPS):
                value, slope = self._output(s, h)
                # Each row stops by itself: what it comes to must not hang on its neighbours.
                gap = np.where(rest, value - target, gap)
                beyond = sign * gap > 0.0
                high, low = np.where(beyond, s, high), np.where(beyond, low, s)
                new = s - gap / slope
                wrong = ~((new >= low) & (new <= high))
                new = np.where(wrong, 0.5 * (low + high), new)
                moved = np.abs(new - s) > _SMALL * np.abs(new) + _NOTHING
                s = np.where(rest, new, s)
                # A NaN has not moved: it is as done as it will get.
                rest = rest & moved
                if not rest.any():
                    break
        # What runs into an end of its bracket still has a gap there.
        return np.where(np.abs(gap) <= _CLOSED_GAP * np.abs(target) + _NO_GAP, s, np.nan)

    def _output(self, strain: Floats, h: Floats) -> tuple[Floats, Floats]:
        """E and dE/dε at a strain."""
        deltas = [h * value for value in self._loads(strain)]
        tangents = {a: self.gauge.slope(a * strain) for a in set(self._active)}
        slope = np.zeros(strain.shape)
        for a, weight in zip(self._arms, _weights(deltas), strict=True):
            if a != 0.0:
                slope = slope + weight * (h * a * tangents[a])
        return output_ratio(deltas), slope


def _weights(deltas: Sequence[Floats]) -> tuple[Floats, Floats, Floats, Floats]:
    """dE/dδ of each arm."""
    d1, d2, d3, d4 = deltas
    left, right = (2.0 + d1 + d2) ** 2, (2.0 + d3 + d4) ** 2
    return (1.0 + d2) / left, -(1.0 + d1) / left, (1.0 + d4) / right, -(1.0 + d3) / right
