"""
One-way analysis of variance, and repeatability and reproducibility after ISO 5725-2.

s_r² is the mean square within groups; s_L² = (MS_between - s_r²)/n̄, not below 0;
s_R² = s_L² + s_r²; n̄ = (N - Σn_i²/N)/(p - 1) for p groups of n_i values, N in all. Mandel's
h_i = (x̄_i - x̄)/s(x̄) and k_i = s_i/s_r tell which group stands apart, and which scatters.

Ref: ISO 5725-2:2019, 7.4; ASTM E691, 15 (the same s_R; h and k); NIST StRD, ANOVA.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Anova:
    """One-way table: sums of squares, degrees of freedom, and the mean of all values."""

    mean: float
    between_ss: float
    between_freedom: int
    within_ss: float
    within_freedom: int
    mean_size: float
    """n̄: size of a group; of groups of different sizes what ISO 5725-2 puts in its place."""

    @property
    def between_ms(self) -> float:
        """Mean square between groups."""
        return self.between_ss / self.between_freedom

    @property
    def within_ms(self) -> float:
        """Mean square within groups; NaN where every group has one value."""
        return self.within_ss / self.within_freedom if self.within_freedom else math.nan

    @property
    def f_statistic(self) -> float:
        """Between over within; infinite where nothing scatters within."""
        return self.between_ms / self.within_ms if self.within_ms else math.inf

    @property
    def r_squared(self) -> float:
        """Share of the sum of squares that lies between the groups."""
        return self.between_ss / (self.between_ss + self.within_ss)


@dataclass(frozen=True)
class Precision:
    """Standard deviations of one level after ISO 5725-2; groups are gauges, values their runs."""

    mean: float
    s_r: float
    """Repeatability: within a gauge."""
    s_l: float
    """Between gauges, without what repeatability alone brings."""
    s_R: float  # noqa: N815 - the standard's own letter: s_r and s_R are two things
    """Reproducibility: s_R² = s_L² + s_r²."""
    groups: int
    within_freedom: int


def one_way(groups: Sequence[npt.ArrayLike]) -> Anova:
    """
    One-way analysis of variance of two or more groups.

    Args:
        groups: finite values of each, none empty; sizes may differ.

    Raises:
        ValueError: fewer than two groups, an empty one, or values that are not finite.

    Ref: NIST StRD SiRstv and AtmWtAg, whose values agree in their first 7 digits: everything is
    summed as a difference against the first value, without rounding.
    """
    values = [np.asarray(group, np.float64) for group in groups]
    if len(values) < 2 or not all(len(group) for group in values):
        raise ValueError("an analysis of variance needs two groups or more, none of them empty")
    if not all(np.isfinite(group).all() for group in values):
        raise ValueError("an analysis of variance needs finite numbers only")
    origin = float(values[0][0])
    shifted = [group - origin for group in values]
    sizes = [len(group) for group in shifted]
    total = sum(sizes)
    means = [math.fsum(group) / len(group) for group in shifted]
    mean = math.fsum(np.concatenate(shifted)) / total
    within = math.fsum(
        float(d) ** 2 for group, m in zip(shifted, means, strict=True) for d in group - m
    )
    between = math.fsum(n * (m - mean) ** 2 for n, m in zip(sizes, means, strict=True))
    p = len(values)
    mean_size = (total - sum(n**2 for n in sizes) / total) / (p - 1)
    return Anova(origin + mean, between, p - 1, within, total - p, mean_size)


def precision(groups: Sequence[npt.ArrayLike]) -> Precision:
    """
    Repeatability, between-group and reproducibility standard deviation of one level.

    s_L below what repeatability explains is 0, as both standards say: s_R is then s_r. With one
    group s_L and s_R are NaN; with one value in every group s_r is NaN, and so are both.

    Raises:
        ValueError: no group, an empty one, or values that are not finite.
    """
    values = [np.asarray(group, np.float64) for group in groups]
    if len(values) == 1:
        only = values[0]
        s_r = standard_deviation(only)
        mean = float(only[0]) + math.fsum(only - only[0]) / len(only)
        return Precision(mean, s_r, math.nan, math.nan, 1, len(only) - 1)
    table = one_way(values)
    within = table.within_ms
    excess = (table.between_ms - within) / table.mean_size
    between = math.nan if math.isnan(within) else max(excess, 0.0)
    return Precision(
        table.mean,
        math.sqrt(within),
        math.sqrt(between),
        math.sqrt(between + within),
        len(values),
        table.within_freedom,
    )


def mandel(groups: Sequence[npt.ArrayLike]) -> tuple[Floats, Floats]:
    """
    Mandel's h (between groups) and k (within groups) of each group, each of shape (p,).

    NaN where it cannot be told: h where all means agree, k where nothing scatters or a group has
    one value.

    Raises:
        ValueError: as `one_way`.
    """
    table = one_way(groups)
    values = [np.asarray(group, np.float64) for group in groups]
    means = np.array([float(v[0]) + math.fsum(v - v[0]) / len(v) for v in values])
    spread = standard_deviation(means)
    each = np.array([standard_deviation(v) for v in values])
    away = means - means.mean()
    h = away / spread if spread > 0.0 else np.full(len(means), np.nan)
    s_r = math.sqrt(table.within_ms) if table.within_freedom else math.nan
    k = each / s_r if s_r > 0.0 else np.full(len(means), np.nan)
    return h, k


def standard_deviation(values: npt.ArrayLike) -> float:
    """
    Sample standard deviation (n - 1), summed against the first value; NaN for one value.

    Ref: NIST StRD NumAcc3, on which the sum of squares of the values themselves loses all digits.
    """
    y = np.asarray(values, np.float64)
    if len(y) < 2:
        return math.nan
    shifted = y - y[0]
    away = shifted - math.fsum(shifted) / len(y)
    # The second sum is zero but for rounding, and takes that rounding out again.
    square = math.fsum(away**2) - math.fsum(away) ** 2 / len(y)
    return math.sqrt(max(square, 0.0) / (len(y) - 1))
