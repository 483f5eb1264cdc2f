"""
What is found on each gauge: factor, linearity, hysteresis, zero return, repeatability, hold creep.

Percentages are of the gauge's δ at full scale, unless a name says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.response import GaugeResponse, Response
from pipeline.bench.shapes import Shape
from pipeline.blocks import Floats
from pipeline.physics.anova import standard_deviation


@dataclass(frozen=True)
class Finding:
    """One gauge; NaN where the bench did not show it."""

    serial: str
    runs: int
    factor: float
    """Secant factor at full scale, mean of the runs."""
    run_factors: tuple[float, ...]
    tangent_at_zero: float
    linearity_percent: float
    """Largest distance of a level's mean from the best line through zero."""
    hysteresis_percent: float
    """Largest gap between unloading and loading at one load, of any run."""
    zero_return_percent: float
    """Largest δ left at zero load at the end of a run, with its sign."""
    repeatability_percent: float
    """s_r of the gauge's own factor, of that factor."""
    hold_creep_percent: float
    """Largest change of δ during a hold, of δ at its start, with its sign."""
    hold_s: float
    """How long that hold was."""


def finding(
    gauge: GaugeResponse,
    held: Sequence[Hold],
    shape: Shape,
    run_figures: Floats,
    full_scale: float,
) -> Finding:
    """
    What is found on one gauge.

    Args:
        gauge: its runs.
        held: its holds, from which creep is not taken off.
        shape: of the batch's curve.
        run_figures: of each run of this gauge, shape (runs, size).
        full_scale: [m/m], with the sign of the side that the bench reached further.
    """
    factors = [
        float(shape.curve(figures).delta(full_scale)) / full_scale for figures in run_figures
    ]
    mean = float(np.mean(factors))
    output = abs(mean * full_scale)
    curve = shape.curve(run_figures.mean(axis=0))
    worst = max(held, key=lambda hold: abs(hold.percent), default=None)
    return Finding(
        gauge.serial,
        len(gauge.runs),
        mean,
        tuple(factors),
        float(curve.slope(0.0)),
        linearity(gauge) / output * 100.0,
        max((_gap(gauge, run) for run in gauge.runs), default=math.nan) / output * 100.0,
        _largest([zero_return(run) for run in gauge.runs]) / output * 100.0,
        standard_deviation(factors) / abs(mean) * 100.0,
        worst.percent if worst is not None else math.nan,
        float(worst.seconds[-1]) if worst is not None else math.nan,
    )


def linearity(gauge: GaugeResponse) -> float:
    """Largest |δ - k·ε| of the level means, k of the best line through zero [δ]."""
    means, strains = gauge.means(), gauge.strains
    k = float(strains @ means / (strains @ strains))
    return float(np.max(np.abs(means - k * strains)))


def loop(gauge: GaugeResponse, run: Response) -> tuple[Floats, Floats]:
    """
    δ of loading and of unloading at each level, each of shape (levels,); NaN where not both.

    The end of a run at zero load is not part of it: that is the zero return.
    """
    levels = len(gauge.loads)
    up = run.at_levels(run.delta, run.is_up, levels)
    down = run.at_levels(run.delta, run.is_down & (run.run.load != 0.0), levels)
    both = np.isfinite(up) & np.isfinite(down)
    return np.where(both, up, np.nan), np.where(both, down, np.nan)


def zero_return(run: Response) -> float:
    """δ at the last reading, if that is at zero load and loads went before; else NaN."""
    is_back = run.run.load[-1] == 0.0 and len(run.delta) > 1
    return float(run.delta[-1]) if is_back else math.nan


@dataclass(frozen=True, eq=False)
class Hold:
    """One hold of one run: δ from the last reading before it on."""

    serial: str
    label: str
    seconds: Floats
    """Since that reading, or since the first one of the hold if that had no time."""
    delta: Floats

    @property
    def change_percent(self) -> Floats:
        """Change of δ since the start, of δ at the start."""
        return np.asarray((self.delta / self.delta[0] - 1.0) * 100.0)

    @property
    def percent(self) -> float:
        """That change at the end."""
        return float(self.change_percent[-1])


def holds(gauge: GaugeResponse) -> list[Hold]:
    """The holds of all runs of a gauge."""
    return [hold for run in gauge.runs for hold in holds_of(run)]


def holds_of(response: Response) -> list[Hold]:
    """The holds under load of a run, each with the loaded reading before it where it has a time."""
    run, found = response.run, []
    held = run.is_direction("hold") & (run.load != 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], held.astype(np.int8), [0]))))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        begins_before = first > 0 and np.isfinite(run.time[first - 1])
        same = begins_before and abs(run.load[first - 1] - run.load[first]) < 1e-9
        start = first - 1 if same else first
        if end - start > 1:
            seconds = run.time[start:end] - run.time[start]
            found.append(Hold(run.serial, run.label, seconds, response.delta[start:end]))
    return found


def _gap(gauge: GaugeResponse, run: Response) -> float:
    up, down = loop(gauge, run)
    gaps = np.abs(down - up)
    return float(np.nanmax(gaps)) if np.isfinite(gaps).any() else math.nan


def _largest(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return max(finite, key=abs) if finite else math.nan
