"""
Combined standard uncertainty with few degrees of freedom, stated as U95/2.

Components are independent; correlated effects are added up before they come here.
ν_eff = u_c⁴/Σ(u_i⁴/ν_i) (Welch-Satterthwaite: JCGM 100:2008, G.4.1, eq. G.2b), and
U95 = t_0.975(ν_eff)·u_c (G.3). Stated is U95/2, so that k = 2 means 95 %.

Where one component of two degrees of freedom, as three gauges leave them, meets a well-known one
of 0.2 to 0.6 its size, that U95 holds 92 to 93 %: it is small just when the estimate happens to
be. √(Σ t(ν_g)²·u_g²) never holds less than 95 (S. Banerjee, Sankhyā 22 (1960) 357) and there holds
95.5 to 97. `half_u95` takes the mean of the two squares, 94 to 97 % over all sizes.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Component = tuple[npt.ArrayLike, float]
"""Variance, one number or shape (n,), and its degrees of freedom (may be inf)."""

FEW = 5.0
"""Degrees of freedom below which a variance may come out far too small."""
_TABLE = 8192


def combined(components: Iterable[Component], n: int) -> tuple[Floats, Floats]:
    """
    Combined standard uncertainty and its effective degrees of freedom, each of shape (n,).

    A component without uncertainty does not count; if none has any, ν_eff is infinite. NaN in
    a component is NaN in both. Degrees of freedom below 1 count as 1.
    """
    variance, weight = np.zeros(n), np.zeros(n)
    for part, freedom in components:
        share = np.asarray(part, np.float64)
        variance += share
        if np.isfinite(freedom):
            weight += share**2 / max(freedom, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(weight > 0.0, variance**2 / weight, np.inf)
    return np.sqrt(variance), np.where(np.isnan(variance), np.nan, effective)


def half_u95(components: Iterable[Component], n: int) -> Floats:
    """
    U95/2 of independent components, shape (n,); NaN in a component is NaN.

    U95² = ½·(t(ν_eff)²·u_c² + Σ t(ν_g)²·u_g²): t(ν_eff)·u_c alone where all components have few
    degrees of freedom or none has; g are the two groups, below `FEW` and from there on.
    """
    parts = [(np.asarray(variance, np.float64), freedom) for variance, freedom in components]
    few = [part for part in parts if part[1] < FEW]
    many = [part for part in parts if not part[1] < FEW]
    apart = _squared_u95(few, n) + _squared_u95(many, n)
    return np.asarray(0.5 * np.sqrt(0.5 * (_squared_u95(parts, n) + apart)))


def _squared_u95(components: Iterable[Component], n: int) -> Floats:
    """(t_0.975(ν_eff)·u_c)², shape (n,)."""
    u, freedom = combined(components, n)
    return np.asarray((coverage_factor(freedom) * u) ** 2)


def coverage_factor(freedom: npt.ArrayLike) -> Floats:
    """
    t_0.975(ν): two-sided 95 % factor of Student's distribution; ν below 1 counts as 1.

    From a table in 1/ν, within 1e-6 of the exact quantile. NaN stays.
    """
    inverse = 1.0 / np.maximum(np.asarray(freedom, np.float64), 1.0)
    return np.asarray(np.interp(inverse, *_quantiles()))


@cache
def _quantiles() -> tuple[Floats, Floats]:
    from scipy.special import ndtri, stdtrit  # half a second of import, once, when first needed

    inverse = np.linspace(0.0, 1.0, _TABLE + 1)
    factor = np.empty_like(inverse)
    factor[0] = ndtri(0.975)
    factor[1:] = stdtrit(1.0 / inverse[1:], 0.975)
    return inverse, factor
