"""
What a gauge did in a run: δ against the strain that the bench applied, step by step.

δ counts from the run's own first reading, at zero load. Loads of nearly one size are one level.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.bench.applied import geometry
from pipeline.bench.check_steps import tolerance
from pipeline.bench.runs import Bench, Run
from pipeline.blocks import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Response:
    """One run in strain and δ; arrays of shape (n,) in the order of the steps."""

    run: Run
    strain: Floats
    """Applied by the bench, m/m."""
    delta: Floats
    """Of the load alone, as far as chamber and hold let its other parts be taken off."""
    level: Ints
    """Number of the load level, counted over all runs of the gauge from the lowest load."""

    @cached_property
    def is_fitted(self) -> Bools:
        """Rows that the curve is fitted to: all but holds, which show creep."""
        return ~self.run.is_direction("hold")

    @cached_property
    def is_up(self) -> Bools:
        """Rows of loading."""
        return self.run.is_direction("up")

    @cached_property
    def is_down(self) -> Bools:
        """Rows of unloading."""
        return self.run.is_direction("down")

    def at_levels(self, values: Floats, rows: Bools, levels: int) -> Floats:
        """Mean of `values` over `rows` at each level, shape (levels,); NaN where there is none."""
        count = np.bincount(self.level[rows], minlength=levels)
        total = np.bincount(self.level[rows], weights=values[rows], minlength=levels)
        with np.errstate(invalid="ignore"):
            return np.asarray(total / count)


@dataclass(frozen=True, eq=False)
class GaugeResponse:
    """All runs of one gauge, with the levels they share."""

    serial: str
    runs: tuple[Response, ...]
    loads: Floats
    """Mean load of each level [N], rising, shape (levels,)."""
    strains: Floats
    """Strain of each level, rising, shape (levels,)."""

    def means(self) -> Floats:
        """Mean δ of each level over the gauge's runs, loading and unloading alike."""
        levels = len(self.loads)
        each = [run.at_levels(run.delta, run.is_fitted, levels) for run in self.runs]
        return np.asarray(np.nanmean(each, axis=0))


def gauge_response(bench: Bench, serial: str) -> GaugeResponse:
    """Strain and δ of every run of a gauge, by serial; also of the reference."""
    runs = [run for run in (*bench.runs, *bench.reference) if run.serial == serial]
    at = geometry(bench.sheet, serial)
    slack = max(tolerance(run) for run in runs)
    every = np.concatenate([run.load for run in runs])
    names = np.unique(every)
    group = np.concatenate(([0], np.cumsum(np.diff(names) > slack)))
    level = group[np.searchsorted(names, every)]
    loads = np.bincount(level, weights=every) / np.bincount(level)
    # The unloaded level is zero itself, not the mean of a few readings that are nearly zero.
    loads[int(group[np.searchsorted(names, 0.0)])] = 0.0
    ends = np.cumsum([len(run.rows) for run in runs])[:-1]
    parts = np.split(level, ends)
    responses = tuple(
        Response(run, at.strain(run.load), run.delta, part.astype(np.int64))
        for run, part in zip(runs, parts, strict=True)
    )
    return GaugeResponse(serial, responses, loads, at.strain(loads))
