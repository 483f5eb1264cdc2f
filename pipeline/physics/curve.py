"""
Calibration curve δ = F(ε) of a gauge, its inverse and its slope; monotone, both ways exact.

Polynomials run through zero: F = c1·ε + c2·ε² + c3·ε³. Monotone cubics go through knots with the
slopes of Fritsch and Butland (weighted harmonic means; three-point formula at the ends), as in
scipy's PchipInterpolator. Outside the calibrated range [lo, hi] both continue along the end
tangent: a reading is never clamped.

Ref: F. N. Fritsch, R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238, doi:10.1137/0717021;
F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, doi:10.1137/0905021.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_NEWTON, _BISECTIONS = 7, 80
_SMALL = 1e-9
_GRID = 513


@dataclass(frozen=True, eq=False)
class GaugeCurve:
    """
    F on [lo, hi] with tangents beyond; strain and δ are pure numbers.

    Made by `polynomial_curve` and `monotone_curve`, which check it. Piece j holds from knots[j]
    to knots[j + 1]: F = value + a·s + b·s² + c·s³ with s = ε - anchors[j].
    """

    lo: float
    hi: float
    knots: Floats
    """Left ends of the pieces, then the right end of the last one, shape (p + 1,)."""
    anchors: Floats
    """Where each piece has s = 0, shape (p,): zero strain for a polynomial, so that a small
    strain keeps its relative precision."""
    pieces: Floats
    """(value, a, b, c) of each, shape (p, 4)."""
    factor: float | None
    """Constant gauge factor of a line; None: the curve is bent."""

    def delta(self, strain: npt.ArrayLike) -> Floats:
        """δ at a strain, linear beyond the range; NaN stays."""
        x = np.asarray(strain, np.float64)
        if self.factor is not None:
            return np.asarray(self.factor * x)
        inside = np.clip(x, self.lo, self.hi)
        value = self._inside(inside)
        return np.asarray(value + (x - inside) * self._slope_inside(inside))

    def slope(self, strain: npt.ArrayLike) -> Floats:
        """Tangent factor dF/dε at a strain; constant beyond the range; NaN stays."""
        x = np.asarray(strain, np.float64)
        if self.factor is not None:
            return np.where(np.isnan(x), np.nan, self.factor)
        return self._slope_inside(np.clip(x, self.lo, self.hi))

    def inverse(self, delta: npt.ArrayLike) -> Floats:
        """Strain at a δ, `delta` undone to 1e-12; linear beyond the range; NaN stays."""
        y = np.asarray(delta, np.float64)
        if self.factor is not None:
            return np.asarray(y / self.factor)
        (at_lo, at_hi), (slope_lo, slope_hi) = self._ends
        sign = 1.0 if at_hi > at_lo else -1.0
        below, above = sign * y < sign * at_lo, sign * y > sign * at_hi
        low, high = min(at_lo, at_hi), max(at_lo, at_hi)
        strain = self._solve(np.clip(y, low, high))
        strain = np.where(below, self.lo + (y - at_lo) / slope_lo, strain)
        return np.where(above, self.hi + (y - at_hi) / slope_hi, strain)

    @cached_property
    def smallest_slope(self) -> float:
        """Smallest |dF/dε| over the range: what a δ can at most weigh in strain."""
        return float(np.min(np.abs(self.slope(np.linspace(self.lo, self.hi, _GRID)))))

    @cached_property
    def _ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        ends = np.array([self.lo, self.hi])
        value, slope = self._inside(ends), self._slope_inside(ends)
        return (float(value[0]), float(value[1])), (float(slope[0]), float(slope[1]))

    @cached_property
    def _values(self) -> Floats:
        return self._inside(self.knots)

    def _piece(self, x: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
        last = len(self.pieces) - 1
        j = np.clip(np.searchsorted(self.knots, x, side="right") - 1, 0, last)
        return j, x - self.anchors[j]

    def _inside(self, x: Floats) -> Floats:
        j, s = self._piece(x)
        value, a, b, c = (self.pieces[j, i] for i in range(4))
        return np.asarray(value + s * (a + s * (b + s * c)))

    def _slope_inside(self, x: Floats) -> Floats:
        j, s = self._piece(x)
        _, a, b, c = (self.pieces[j, i] for i in range(4))
        return np.asarray(a + s * (2.0 * b + 3.0 * s * c))

    def _solve(self, y: Floats) -> Floats:
        """Strain within the pieces whose F is y."""
        values = self._values
        sign = 1.0 if values[-1] > values[0] else -1.0
        last = len(self.pieces) - 1
        j = np.clip(np.searchsorted(sign * values, sign * y, side="right") - 1, 0, last)
        target = y - self.pieces[j, 0]
        low, high = self.knots[j] - self.anchors[j], self.knots[j + 1] - self.anchors[j]
        guess = low + (high - low) * (y - values[j]) / (values[j + 1] - values[j])
        s, done = _newton(self.pieces[j].T, target, guess, low, high)
        if not done.all():
            rows = np.flatnonzero(~done)
            s[rows] = _bracketed(
                self.pieces[j[rows]].T, target[rows], s[rows], low[rows], high[rows], sign
            )
        return np.asarray(np.where(np.isnan(y), np.nan, self.anchors[j] + s))


def _newton(
    piece: Floats, target: Floats, s: Floats, low: Floats, high: Floats
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """A few Newton steps; done where the last one was so small that its square is nothing."""
    _, a, b, c = piece
    b2, c3 = 2.0 * b, 3.0 * c
    done = np.zeros(s.shape, bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_NEWTON):
            step = (s * (a + s * (b + s * c)) - target) / (a + s * (b2 + s * c3))
            new = s - step
            # ~(>) instead of (<=): a NaN is as done as it will get.
            done = ~(np.abs(step) > _SMALL * np.abs(new)) & ~((new < low) | (new > high))
            s = np.clip(new, low, high)
            if done.all():
                break
    return s, done


def _bracketed(
    piece: Floats, target: Floats, s: Floats, low: Floats, high: Floats, sign: float
) -> Floats:
    """Newton that bisects where it would leave the bracket, to the last bit: for the few rows
    where steps alone do not settle."""
    _, a, b, c = piece
    for _ in range(_BISECTIONS):
        gap = s * (a + s * (b + s * c)) - target
        beyond = sign * gap > 0.0
        high, low = np.where(beyond, s, high), np.where(beyond, low, s)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = s - gap / (a + s * (2.0 * b + 3.0 * s * c))
        wrong = ~((step >= low) & (step <= high))
        new = np.where(wrong, 0.5 * (low + high), step)
        settled = ~(np.abs(new - s) > 4e-16 * np.abs(new))
        s = new
        if settled.all():
            break
    return s


def polynomial_curve(coefficients: Sequence[float], lo: float, hi: float) -> GaugeCurve:
    """
    F = c1·ε + c2·ε² + c3·ε³ on [lo, hi].

    Raises:
        ValueError: no or more than three coefficients, an empty range, or F not monotone in it.
    """
    if not 1 <= len(coefficients) <= 3:
        raise ValueError(f"a polynomial curve has 1 to 3 coefficients, not {len(coefficients)}")
    if not lo < hi:
        raise ValueError(f"the calibrated range [{lo:g}, {hi:g}] is empty")
    c1, c2, c3 = (*coefficients, 0.0, 0.0)[:3]
    pieces = np.array([[0.0, c1, c2, c3]])
    factor = c1 if c2 == 0.0 and c3 == 0.0 else None
    return _checked(GaugeCurve(lo, hi, np.array([lo, hi]), np.zeros(1), pieces, factor))


def monotone_curve(strain: npt.ArrayLike, delta: npt.ArrayLike, lo: float, hi: float) -> GaugeCurve:
    """
    Monotone cubic through knots, used on [lo, hi] inside them.

    Args:
        strain: of the knots, strictly increasing, at least 2.
        delta: of the knots, strictly monotone.

    Raises:
        ValueError: knots out of order, δ not strictly monotone, range empty or outside the
            knots, or an end tangent of zero.
    """
    x, y = np.asarray(strain, np.float64), np.asarray(delta, np.float64)
    if len(x) != len(y) or len(x) < 2:
        raise ValueError("a monotone curve needs at least two knots, as many strains as deltas")
    h, rise = np.diff(x), np.diff(y)
    if not np.all(h > 0.0):
        raise ValueError("the strains of the knots must increase strictly")
    if not (np.all(rise > 0.0) or np.all(rise < 0.0)):
        raise ValueError("the deltas of the knots must rise or fall strictly")
    if not (lo < hi and x[0] <= lo and hi <= x[-1]):
        raise ValueError(
            f"the calibrated range [{lo:g}, {hi:g}] must lie within the knots [{x[0]:g}, {x[-1]:g}]"
        )
    secant = rise / h
    d = _slopes(h, secant)
    b = (3.0 * secant - 2.0 * d[:-1] - d[1:]) / h
    c = (d[:-1] + d[1:] - 2.0 * secant) / h**2
    pieces = np.column_stack((y[:-1], d[:-1], b, c))
    return _checked(GaugeCurve(lo, hi, x, x[:-1], pieces, None))


def _slopes(h: Floats, secant: Floats) -> Floats:
    """Slopes at the knots of a strictly monotone row of secants."""
    if len(h) == 1:
        return np.array([secant[0], secant[0]])
    w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    inner = (w1 + w2) / (w1 / secant[:-1] + w2 / secant[1:])
    first = _end_slope(h[0], h[1], secant[0], secant[1])
    last = _end_slope(h[-1], h[-2], secant[-1], secant[-2])
    return np.array([first, *inner, last])


def _end_slope(h0: float, h1: float, m0: float, m1: float) -> float:
    """
    Three-point slope at an end, kept within 0 and the secant's own sign.

    Its second limit (three times the secant) only bites where secants change sign, which a
    strictly monotone row of knots has not.
    """
    slope = ((2.0 * h0 + h1) * m0 - h0 * m1) / (h0 + h1)
    return float(slope) if slope * m0 > 0.0 else 0.0


def _checked(curve: GaugeCurve) -> GaugeCurve:
    tangent = curve.slope(np.linspace(curve.lo, curve.hi, _GRID))
    if not (np.all(tangent > 0.0) or np.all(tangent < 0.0)):
        raise ValueError(
            f"the curve is not strictly monotone in its range [{curve.lo:g}, {curve.hi:g}]"
        )
    return curve
