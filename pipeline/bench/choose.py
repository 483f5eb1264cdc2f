"""
Which shape the batch's curve gets: by cross-validation that leaves out whole gauges.

Each gauge in turn is predicted from the mean curve of the others. What the gauge's own factor
does to that error is the same for every shape: for gauges of equal weight Σ_g (F_g - F̄_others)
is zero, so that scores differ by what the shapes miss. The simplest shape within `_AS_GOOD` of
the least score is taken. With one gauge whole runs are left out instead, and that is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.response import GaugeResponse, Response
from pipeline.bench.shapes import Shape
from pipeline.blocks import Floats
from pipeline.physics.regression import linear_fit

_AS_GOOD = 1.005
"""A shape that misses by a tenth of the score more raises it by so much: √(1 + 0.1²)."""
_BETTER = 1.05
"""Missing a third of the score more: √(1 + ⅓²). So much must not be passed over."""


@dataclass(frozen=True, eq=False)
class Trial:
    """One shape, fitted to every run, and how well it predicts what it has not seen."""

    shape: Shape
    figures: tuple[Floats, ...]
    """Of each gauge its runs, shape (runs, size) each; empty where the shape is refused."""
    score: float
    """Root mean square of δ missed in a gauge left out; NaN where there are too few levels."""
    refused: str
    """Why the shape cannot be used; empty: it can."""


@dataclass(frozen=True)
class Intercept:
    """A line with an intercept, looked at only: a curve of δ from the run's zero has none."""

    delta: float
    u: float
    """Standard uncertainty of the mean of all runs."""
    score: float


def gauge_figures(trial: Trial) -> Floats:
    """Figures of each gauge, the mean of its runs, shape (gauges, size)."""
    return np.array([runs.mean(axis=0) for runs in trial.figures])


def tried(gauges: Sequence[GaugeResponse], shapes: Sequence[Shape]) -> tuple[Trial, ...]:
    """Every shape with its score, in the order of `shapes`."""
    return tuple(_trial(gauges, shape) for shape in shapes)


def chosen(trials: Sequence[Trial]) -> Trial | None:
    """The simplest shape whose score is as good as the least; None: every one is refused."""
    scores = [trial.score for trial in trials if not trial.refused]
    if not scores:
        return None
    least = min(scores)
    return next(t for t in trials if not t.refused and t.score <= _AS_GOOD * least)


def turns(trials: Sequence[Trial]) -> bool:
    """
    Whether the runs follow a curve that turns: a shape refused for it fits them clearly better.

    Then no monotone curve is honest, a straight line through the turn least of all.
    """
    taken = chosen(trials)
    refused = [t.score for t in trials if t.refused and math.isfinite(t.score)]
    return taken is None or any(taken.score > _BETTER * score for score in refused)


def leaves_out(gauges: Sequence[GaugeResponse]) -> str:
    """What the cross-validation leaves out: `gauge`, or `run` where there is one gauge only."""
    return "gauge" if len(gauges) > 1 else "run"


def intercept(gauges: Sequence[GaugeResponse]) -> Intercept:
    """Intercept of a straight line in δ, and the score such a line would have."""
    figures = []
    for gauge in gauges:
        own = []
        for response in gauge.runs:
            rows = response.is_fitted
            design = np.column_stack((np.ones(rows.sum()), response.strain[rows]))
            own.append(linear_fit(design, response.delta[rows]).coefficients)
        figures.append(np.array(own))
    every = np.concatenate(figures)[:, 0]
    squares: list[float] = []
    for seen, response in _folds(gauges, figures):
        a, b = seen
        missed = response.delta - (a + b * response.strain)
        squares.append(float(np.mean(missed[response.is_fitted] ** 2)))
    u = float(np.std(every, ddof=1) / math.sqrt(len(every)))
    return Intercept(float(every.mean()), u, math.sqrt(math.fsum(squares) / len(squares)))


def _trial(gauges: Sequence[GaugeResponse], shape: Shape) -> Trial:
    try:
        figures = tuple(
            np.array([shape.figures(gauge, run) for run in gauge.runs]) for gauge in gauges
        )
    except ValueError as error:
        return Trial(shape, (), math.nan, str(error))
    refused = ""
    try:
        for own in (run for runs in figures for run in runs):
            shape.curve(own)  # the mean of monotone curves is monotone
    except ValueError as error:
        refused = str(error)
    squares = [_missed(shape, seen, run, refused) for seen, run in _folds(gauges, figures)]
    score = math.sqrt(math.fsum(squares) / len(squares))
    return Trial(shape, () if refused else figures, score, refused)


def _missed(shape: Shape, seen: Floats, response: Response, refused: str) -> float:
    strain, delta = response.strain[response.is_fitted], response.delta[response.is_fitted]
    predicted = shape.weights(strain).T @ seen if refused else shape.curve(seen).delta(strain)
    return float(np.mean((delta - predicted) ** 2))


def _folds(
    gauges: Sequence[GaugeResponse], figures: Sequence[Floats]
) -> list[tuple[Floats, Response]]:
    """For each run its response, and the mean figures of what was seen without its gauge."""
    if len(gauges) == 1:
        runs = figures[0]
        return [
            (np.delete(runs, i, axis=0).mean(axis=0), response)
            for i, response in enumerate(gauges[0].runs)
        ]
    means = np.array([runs.mean(axis=0) for runs in figures])
    return [
        (np.delete(means, i, axis=0).mean(axis=0), response)
        for i, gauge in enumerate(gauges)
        for response in gauge.runs
    ]
