"""
From recovered readings to coverage with its interval, bias, and errors with and without terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ops.coverage.recovery import Recovered

GOAL, WITHIN = 0.95, 0.02
MOST_BIAS = 0.1
"""Of the mean stated u."""


@dataclass(frozen=True)
class Outcome:
    """What one case gave, over independent gauges; strains in µm/m."""

    name: str
    gauges: int
    covered: int
    refused: int
    """Benches that `calibrate` refused."""
    u: float
    """Mean of U95/2."""
    bias: float
    bias_u: float
    """Standard error of the mean error."""
    rms: float
    without: tuple[float, ...]
    """RMS error without each of `recovery.WITHOUT`, then of the indicated strain."""

    @property
    def coverage(self) -> float:
        """Share of the gauges whose truth lies within 2u."""
        return self.covered / self.gauges

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the coverage, see `binomial_interval`."""
        return binomial_interval(self.covered, self.gauges)

    @property
    def is_met(self) -> bool:
        """Whether coverage and bias, as counted, are within what has to be shown."""
        is_covered = abs(self.coverage - GOAL) <= WITHIN + 1e-12
        return is_covered and abs(self.bias) <= MOST_BIAS * self.u


def counted(name: str, found: Sequence[Recovered], refused: int) -> Outcome:
    """
    The outcome of a case, one reading a gauge.

    Raises:
        ValueError: fewer than two gauges.
    """
    if len(found) < 2:
        raise ValueError(f"{name}: {len(found)} gauges were recovered; at least 2 can be counted")
    error = np.array([one.error for one in found])
    without = np.array([one.without for one in found])
    return Outcome(
        name=name,
        gauges=len(found),
        covered=sum(one.is_covered for one in found),
        refused=refused,
        u=float(np.mean([one.u for one in found])),
        bias=float(error.mean()),
        bias_u=float(error.std(ddof=1) / np.sqrt(len(found))),
        rms=float(np.sqrt(np.mean(error**2))),
        without=tuple(np.sqrt(np.mean(without**2, axis=0)).tolist()),
    )


def binomial_interval(covered: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """
    Exact two-sided interval of a share (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404).
    """
    from scipy.stats import beta

    tail = 0.5 * (1.0 - level)
    low = 0.0 if covered == 0 else float(beta.ppf(tail, covered, of - covered + 1))
    high = 1.0 if covered == of else float(beta.ppf(1.0 - tail, covered + 1, of - covered))
    return low, high
