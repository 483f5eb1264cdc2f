"""
Uncertainty of what joined strains are made into, with all that they have in common.

u of y = g(ε_1 … ε_k) is from Σ over causes of (Σ_i ∂g/∂ε_i·a_i)², where a_i is the cause's signed
amount at point i (JCGM 100, 5.2, with each cause fully correlated with itself and independent of
all others), stated as U95/2 with the degrees of freedom of the estimates behind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.combine_sources import estimate_of
from pipeline.physics.uncertainty import coverage_factor, half_u95

SourceAmounts = Mapping[str, tuple[Floats, float]]
"""By name: amounts of k points, shape (n, k, m), and degrees of freedom."""

_NORMAL = float(coverage_factor(np.inf))


@dataclass(frozen=True, eq=False)
class Worked:
    """What an element makes of whole rows, q quantities in their own units."""

    value: Floats
    """Shape (n, q)."""
    u: Floats
    """U95/2, shape (n, q); NaN where none is stated."""
    is_off: Floats
    """1 where the points contradict each other, shape (n,)."""
    is_open: Floats
    """1 where a quantity cannot be told and its value is NaN, shape (n, q)."""


def propagated_u(slopes: Floats, sources: SourceAmounts, others: Sequence[Floats] = ()) -> Floats:
    """
    U95/2 of q quantities, shape (n, q).

    Args:
        slopes: ∂g/∂ε, in the quantity's unit per m/m, shape (n, q, k).
        sources: of the strains.
        others: amounts that act on the quantities themselves, each of shape (n, q), independent.
    """
    n, q, _ = slopes.shape
    variances: dict[tuple[str, float], Floats] = {}
    for name, (amounts, freedom) in sources.items():
        moved = np.sum((slopes @ amounts) ** 2, axis=2)
        key = (estimate_of(name), freedom) if np.isfinite(freedom) else ("", np.inf)
        variances[key] = variances[key] + moved if key in variances else moved
    components = [(variance.ravel(), freedom) for (_, freedom), variance in variances.items()]
    components += [(amount.ravel() ** 2, np.inf) for amount in others]
    return half_u95(components, n * q).reshape(n, q)


def widened_covariance(sources: SourceAmounts, shape: tuple[int, int]) -> Floats:
    """
    Covariance of the strains with every cause as wide as its few degrees of freedom make it.

    Each cause's amounts are multiplied by t_0.975(ν)/t_0.975(∞): what k = 2 of the result then
    means is what it means for a point's own u.

    Args:
        sources: of the strains.
        shape: (n, k).

    Returns:
        Shape (n, k, k).
    """
    n, k = shape
    found = np.zeros((n, k, k))
    for amounts, freedom in sources.values():
        wide = amounts * (float(coverage_factor(freedom)) / _NORMAL)
        found += wide @ wide.transpose(0, 2, 1)
    return found


def diagonal_source(amounts: Floats) -> tuple[Floats, float]:
    """A source that acts on each point on its own: (n, k) amounts as (n, k, k)."""
    return amounts[:, :, None] * np.eye(amounts.shape[1]), np.inf
