"""
How far a fit on a few gauges may be wrong for another gauge of the batch.

A parameter found on n gauges with standard deviation s between them, s² over n - 1 degrees of
freedom, is predicted for another gauge with u² = s²·(1 + 1/n) (trade: a batch calibration on
another gauge; the prediction interval of a normal sample). What the gauges have in common, such as
a chamber that drifted, does not show between them: s² is taken no smaller than the mean variance
that each gauge's own fit states.

Readings of one run are not independent. Their variance counts g times, g = 1 + 2·Σ ρ_k the
integrated autocorrelation of the residuals, summed as long as pairs of it are positive
(C. J. Geyer, Statist. Sci. 7 (1992) 473, doi:10.1214/ss/1177011137).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """A figure of a fit, its standard uncertainty for the gauge it is meant for, and ν."""

    name: str
    unit: str
    value: float
    u: float
    degrees_of_freedom: float

    @property
    def is_significant(self) -> bool:
        """Whether it differs from 0 by more than 2u."""
        return abs(self.value) > 2.0 * self.u


def new_gauge(values: Sequence[float], variances: Sequence[float]) -> tuple[float, float, float]:
    """
    Mean over gauges, its standard uncertainty for another gauge of the batch, and ν.

    Args:
        values: one for each gauge, n >= 2.
        variances: of each from its own fit.

    Raises:
        ValueError: fewer than two gauges, which say nothing of a spread.
    """
    n = len(values)
    if n < 2:
        raise ValueError("the spread of a batch takes at least two gauges")
    between = float(np.var(values, ddof=1))
    within = float(np.mean(variances))
    variance = max(between, within) * (1.0 + 1.0 / n)
    return float(np.mean(values)), float(np.sqrt(variance)), n - 1.0


def correlation_factor(residual: npt.ArrayLike) -> float:
    """
    g: how many correlated residuals weigh as much as one independent one; at least 1.

    Args:
        residual: in the order of time, shape (n,), about evenly spaced.
    """
    r = np.asarray(residual, np.float64)
    n = len(r)
    if n < 4 or not np.any(r):
        return 1.0
    spectrum = np.fft.rfft(r - r.mean(), 2 * n)
    covariance = np.fft.irfft(spectrum * spectrum.conj())[:n]
    if covariance[0] <= 0.0:
        return 1.0
    rho = covariance / covariance[0]
    pairs = rho[: n - n % 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0.0)
    stop = int(ends[0]) if len(ends) else len(pairs)
    return max(1.0, 2.0 * float(pairs[:stop].sum()) - 1.0)


def information_gain(plain: npt.ArrayLike, rich: npt.ArrayLike, parameters: int) -> float:
    """
    What the Bayesian information criterion gains by a richer model; above 10 is very strong
    (R. E. Kass, A. E. Raftery, J. Am. Stat. Assoc. 90 (1995) 773).

    Args:
        plain, rich: residuals of the two models in the order of time, shape (n,). How many
            readings are independent is told by what the richer one leaves.
        parameters: how many more the richer one has.
    """
    before, after = np.asarray(plain, np.float64), np.asarray(rich, np.float64)
    independent = len(after) / correlation_factor(after)
    ratio = float(before @ before) / max(float(after @ after), 1e-300)
    return independent * float(np.log(ratio)) - parameters * float(np.log(independent))
