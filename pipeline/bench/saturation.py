"""
Saturation: where the tangent factor has fallen below a stated share of its largest value.

On each side of zero the first such strain beyond the largest tangent; its interval by resampling
whole gauges and, in each, whole runs (a run's steps share its errors; drawing steps one by one
would make the interval too narrow). A curve that bows a little, and stays above the share, is not
called saturated.

Ref: B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, 13.3 (percentiles).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.shapes import Shape
from pipeline.blocks import Floats

SEED, DRAWS = 5725, 400
_GRID = 801


@dataclass(frozen=True)
class Saturation:
    """One side; µm/m. Infinite (with the side's sign): not reached within the range."""

    side: str
    """`tension` or `compression`."""
    reached_um_m: float
    """End of the calibrated range on this side."""
    strain_um_m: float
    low_um_m: float
    high_um_m: float
    """Ends of the 95 % interval, the one nearer to zero first."""

    @property
    def is_reached(self) -> bool:
        """Whether the curve saturates within the range."""
        return bool(np.isfinite(self.strain_um_m))


def saturation_strains(
    shape: Shape, figures: Sequence[Floats], share: float, draws: int = DRAWS
) -> tuple[Saturation, ...]:
    """
    Saturation of each side that the bench reached, tension first.

    Args:
        shape: of the batch's curve.
        figures: of each gauge its runs, shape (runs, size) each.
        share: of the largest tangent factor, 0..1.
        draws: how often to resample; 0: the ends of the interval are NaN.
    """
    mean = np.mean([runs.mean(axis=0) for runs in figures], axis=0)
    best = _both(shape, mean, share)
    random = np.random.default_rng(SEED)
    all_drawn = [_both(shape, _resampled(figures, random), share) for _ in range(draws)]
    drawn = np.array([pair for pair in all_drawn if pair is not None]).reshape(-1, 2)
    found = []
    for i, (side, end) in enumerate((("tension", shape.hi), ("compression", shape.lo))):
        if end == 0.0 or best is None:
            continue
        low, high = _interval(np.sort(np.abs(drawn[:, i])))
        sign = float(np.sign(end))
        found.append(
            Saturation(side, end * 1e6, best[i] * 1e6, sign * low * 1e6, sign * high * 1e6)
        )
    return tuple(found)


def _interval(size: Floats) -> tuple[float, float]:
    """2.5 and 97.5 % points by rank: between a strain and infinity nothing can be interpolated."""
    last = len(size) - 1
    if last < 0:
        return np.nan, np.nan
    return float(size[int(0.025 * last)]), float(size[int(np.ceil(0.975 * last))])


def _resampled(figures: Sequence[Floats], random: np.random.Generator) -> Floats:
    drawn = random.integers(len(figures), size=len(figures))
    means = []
    for i in drawn:
        runs = figures[int(i)]
        means.append(runs[random.integers(len(runs), size=len(runs))].mean(axis=0))
    return np.asarray(np.mean(means, axis=0))


def _both(shape: Shape, figures: Floats, share: float) -> tuple[float, float] | None:
    """Strains at which tension and compression saturate; None: no curve has these figures."""
    try:
        curve = shape.curve(figures)
    except ValueError:  # a draw whose curve turns has saturated, but where cannot be told
        return None
    grid = np.linspace(shape.lo, shape.hi, _GRID)
    tangent = np.abs(curve.slope(grid))
    top = int(np.argmax(tangent))
    low = tangent < share * tangent[top]
    right = np.flatnonzero(low[top:] & (grid[top:] > 0.0))
    left = np.flatnonzero(low[: top + 1] & (grid[: top + 1] < 0.0))
    return (
        float(_crossing(grid, tangent, top + int(right[0]), -1, share)) if len(right) else np.inf,
        float(_crossing(grid, tangent, int(left[-1]), 1, share)) if len(left) else -np.inf,
    )


def _crossing(grid: Floats, tangent: Floats, at: int, back: int, share: float) -> float:
    """Strain between two points of the grid where the tangent is the share of its maximum."""
    inner, limit = at + back, share * float(tangent.max())
    part = (tangent[inner] - limit) / (tangent[inner] - tangent[at])
    return float(grid[inner] + part * (grid[at] - grid[inner]))
