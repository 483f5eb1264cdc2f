"""
How well the curve is known, for the batch's mean and for another gauge of the batch.

Each gauge's curve is taken apart as F_g = (1 + a_g)·F̄ + D_g, a_g by least squares over the range,
D_g what is left of its shape.
- `between_gauges` is the standard deviation of a_g. It is that of the gauges' means, which holds
  s_L² + s_r²/runs: never less than s_L, and never 0 only because s_r hides it. The chain takes
  between²·(1 + 1/n)·F², with n - 1 degrees of freedom.
- the covariance holds the shapes' own spread, S_D·(1 + 1/n), and the strain's uncertainty, which
  is common to all runs: u²·(ε·F′)².
Nothing counts twice: scatter within gauges is in the gauges' means already. Of one gauge there
is no spread between gauges; the covariance then holds its runs' own, S_runs/runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import numpy as np

from pipeline.bench.choose import Trial, gauge_figures
from pipeline.bench.shapes import Shape
from pipeline.blocks import Floats
from pipeline.physics.curve import GaugeCurve
from pipeline.physics.uncertainty import Component, half_u95

_GRID = 201
MANY = 1e6
"""Degrees of freedom of an uncertainty that no repetition was needed for."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """The batch's curve with what is known of it."""

    shape: Shape
    figures: Floats
    """Mean of the gauges, shape (size,)."""
    each: Floats
    """Of each gauge, shape (gauges, size)."""
    covariance: Floats
    """Of the figures for another gauge, without `between`, shape (size, size)."""
    freedom: float
    between: float
    """Relative standard deviation of the factor between gauges; 0 for one gauge."""
    strain_u: float
    """Relative standard uncertainty of the applied strain; it is inside `covariance`."""

    @property
    def curve(self) -> GaugeCurve:
        """F."""
        return self.shape.curve(self.figures)

    @property
    def gauges(self) -> int:
        """How many gauges it was found on."""
        return len(self.each)

    def components(self, strain: Floats) -> dict[str, Component]:
        """Variance of δ of another gauge at each strain, and degrees of freedom, by name."""
        weights = self.shape.weights(strain)
        variance = np.einsum("ik,ij,jk->k", weights, self.covariance, weights)
        parts: dict[str, Component] = {"curve": (np.maximum(variance, 0.0), self.freedom)}
        if self.between:
            share = (self.between * self.curve.delta(strain)) ** 2 * (1.0 + 1.0 / self.gauges)
            parts["between_gauges"] = (share, max(self.gauges - 1.0, 1.0))
        return parts

    def half_u95(self, strain: Floats) -> Floats:
        """U95/2 of δ of another gauge of the batch (of this one, if it is the only) at a strain."""
        return half_u95(self.components(strain).values(), len(strain))


def fitted(trial: Trial, strain_u: float) -> Fitted:
    """
    The mean curve of a trial with its covariance.

    Args:
        trial: a shape that is not refused.
        strain_u: relative standard uncertainty of the applied strain.
    """
    shape, each = trial.shape, gauge_figures(trial)
    mean = each.mean(axis=0)
    grid = np.linspace(shape.lo, shape.hi, _GRID)
    weights = shape.weights(grid)
    stretched = strain_u * shape.stretched(mean)
    common = np.outer(stretched, stretched)
    if len(each) > 1:
        away, shapes = _apart(each, mean, weights)
        between = float(np.std(away, ddof=1))
        own = _covariance(shapes) * (1.0 + 1.0 / len(each))
        own_freedom = len(each) - 1.0
    else:
        runs = trial.figures[0]
        between, own_freedom = 0.0, len(runs) - 1.0
        own = _covariance(runs) / len(runs)
    freedom = _freedom(own, own_freedom, common, weights, weights.T @ mean)
    return Fitted(shape, mean, each, own + common, freedom, between, strain_u)


def _apart(each: Floats, mean: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """a_g, shape (gauges,), and the figures of D_g, shape (gauges, size)."""
    load = weights.T @ mean
    away = (each @ weights) @ load / (load @ load) - 1.0
    return away, each - np.outer(1.0 + away, mean)


def _covariance(rows: Floats) -> Floats:
    return cast(Floats, np.atleast_2d(np.cov(rows, rowvar=False, ddof=1)))


def _freedom(
    own: Floats, own_freedom: float, common: Floats, weights: Floats, load: Floats
) -> float:
    """
    One number of degrees of freedom for both parts (Welch-Satterthwaite, JCGM 100, G.4.1).

    Each part counts with its variance relative to δ², averaged over the range.
    """
    loaded = np.abs(load) > 1e-3 * np.max(np.abs(load))
    shares = [
        float(np.mean(np.einsum("ik,ij,jk->k", weights, part, weights)[loaded] / load[loaded] ** 2))
        for part in (own, common)
    ]
    total = math.fsum(shares)
    below = shares[0] ** 2 / own_freedom + shares[1] ** 2 / MANY
    return min(total**2 / below, MANY) if below > 0.0 else MANY
