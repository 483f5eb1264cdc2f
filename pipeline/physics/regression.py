"""
Linear least squares with its covariance, and the lag-1 autocorrelation of what is left over.

Solved by a QR factorisation of the columns scaled to unit length, then refined once with
residuals summed without rounding: columns of ε, ε², ε³ differ by many powers of ten, and the
normal equations would lose half of the digits.

Ref: Å. Björck, Numerical Methods for Least Squares Problems, SIAM 1996, 2.4 and 2.9; lag-1
coefficient as NIST StRD defines it: Σ(y_i - ȳ)(y_{i+1} - ȳ)/Σ(y_i - ȳ)².
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_SPLIT = 134217729.0
"""2**27 + 1: Veltkamp's factor, which halves a double into two parts whose products are exact."""


@dataclass(frozen=True, eq=False)
class LinearFit:
    """Least squares of `response` on the columns of a design matrix, n rows and p columns."""

    coefficients: Floats
    """Shape (p,)."""
    covariance: Floats
    """s²·(XᵀX)⁻¹, shape (p, p); NaN where n = p, which leaves nothing to judge by."""
    residuals: Floats
    """Shape (n,)."""
    residual_sd: float
    """s = √(Σr²/(n - p)); NaN where n = p."""
    freedom: int
    """n - p."""

    @property
    def coefficient_sd(self) -> Floats:
        """Standard deviations of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def linear_fit(design: npt.ArrayLike, response: npt.ArrayLike) -> LinearFit:
    """
    Ordinary least squares, y ≈ X·b.

    Args:
        design: X, finite, shape (n, p), n >= p; a column of ones where an intercept is wanted.
        response: y, finite, shape (n,).

    Raises:
        ValueError: shapes that do not fit, values that are not finite, or columns that depend
            on each other to the last digits.

    Ref: docstring of this module; checked with NIST StRD Pontius and Longley.
    """
    x, y = np.asarray(design, np.float64), np.asarray(response, np.float64)
    if x.ndim != 2 or y.shape != (len(x),) or len(x) < x.shape[1] or x.shape[1] == 0:
        raise ValueError(f"a fit of {y.shape} values on a design of shape {x.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("a fit needs finite numbers only")
    length = np.sqrt(np.sum(x**2, axis=0))
    if not (length > 0.0).all():
        raise ValueError("a column of the design is zero throughout")
    scaled = x / length
    q, r = np.linalg.qr(scaled)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < len(x) * np.finfo(float).eps * diagonal.max():
        raise ValueError("columns of the design depend on each other")
    b = np.linalg.solve(r, q.T @ y) / length
    b = b + np.linalg.solve(r, q.T @ _residuals(x, y, b)) / length
    residuals = _residuals(x, y, b)
    freedom = len(x) - x.shape[1]
    variance = math.fsum(residuals**2) / freedom if freedom else math.nan
    inverse = np.linalg.solve(r, np.eye(len(r))) / length[:, None]
    return LinearFit(b, variance * (inverse @ inverse.T), residuals, math.sqrt(variance), freedom)


def lag1_autocorrelation(values: npt.ArrayLike) -> float:
    """
    Lag-1 autocorrelation of a series; NaN for fewer than two values or a constant series.

    Of residuals in the order of strain it tells a curve of the wrong form (near 1) from noise
    (near 0).
    """
    y = np.asarray(values, np.float64)
    if len(y) < 2:
        return math.nan
    shifted = y - y[0]  # exact or nearly so, and keeps the digits of a series far from zero
    away = shifted - math.fsum(shifted) / len(y)
    below = math.fsum(away**2)
    return math.fsum(away[:-1] * away[1:]) / below if below > 0.0 else math.nan


def _residuals(x: Floats, y: Floats, b: Floats) -> Floats:
    """y - X·b, every product and sum exact before the one rounding at the end, shape (n,)."""
    product = x * b
    x_high, b_high = _high_part(x), _high_part(b)
    x_low, b_low = x - x_high, b - b_high
    # Dekker's product: what rounding took from x·b.
    lost = x_low * b_low - (((product - x_high * b_high) - x_low * b_high) - x_high * b_low)
    terms = np.column_stack((y, -product, -lost))
    return np.array([math.fsum(row) for row in terms])


def _high_part(value: Floats) -> Floats:
    wide = _SPLIT * value
    return np.asarray(wide - (wide - value))
