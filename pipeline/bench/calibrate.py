"""
From the checked runs of a bench to its calibration and to all that its report shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.acceptance import Verdict, judge
from pipeline.bench.applied import geometry, strain_shares, strain_u
from pipeline.bench.choose import Intercept, Trial, chosen, intercept, tried, turns
from pipeline.bench.findings import Finding, finding, holds
from pipeline.bench.foil import FoilComparison, compare_foil
from pipeline.bench.precision import (
    FactorPrecision,
    LevelPrecision,
    factor_precision,
    level_precision,
)
from pipeline.bench.reduce import Known, reduced
from pipeline.bench.response import GaugeResponse, gauge_response
from pipeline.bench.runs import Bench
from pipeline.bench.saturation import Saturation, saturation_strains
from pipeline.bench.shapes import shapes
from pipeline.bench.spread import Fitted, fitted
from pipeline.blocks import Floats
from pipeline.errors import ConfigError, Mistake
from pipeline.site.models import Curve


@dataclass(frozen=True, eq=False)
class Figures:
    """Everything that the runs showed; the report shows it, the calibration holds its core."""

    bench: Bench
    gauges: tuple[GaugeResponse, ...]
    """Of the batch, with what is known of climate and creep taken off."""
    as_read: tuple[GaugeResponse, ...]
    """The same with nothing taken off: what creep in the hold is told from."""
    trials: tuple[Trial, ...]
    trial: Trial
    """The one that was chosen."""
    intercept: Intercept
    fitted: Fitted
    shares: dict[str, float]
    """Relative standard uncertainty of the applied strain by input."""
    reading_u: float
    """Standard deviation of one δ about the curve of its own run."""
    full_scale: float
    """[m/m], with the sign of the side that the bench reached further."""
    findings: tuple[Finding, ...]
    levels: tuple[LevelPrecision, ...]
    precision: FactorPrecision
    saturations: tuple[Saturation, ...]
    foil: FoilComparison | None
    verdicts: tuple[Verdict, ...]
    sha256: str
    """Of the files read."""

    @property
    def factor(self) -> float:
        """Secant factor of the batch's curve at full scale."""
        return float(self.fitted.curve.delta(self.full_scale)) / self.full_scale


def figures(bench: Bench, known: Known, sha256: str) -> Figures:
    """
    Fit the runs of a bench and look at them from every side.

    Raises:
        ConfigError: no shape gives a curve that is monotone over the range.
    """
    sheet = bench.sheet
    as_read = tuple(gauge_response(bench, serial) for serial in bench.serials)
    gauges = tuple(reduced(gauge, known) for gauge in as_read)
    trials = tried(gauges, shapes(gauges))
    trial = chosen(trials)
    if trial is None or turns(trials):
        raise ConfigError((_refusal(bench, trials),))
    shares = _worst_shares(bench)
    curve = fitted(trial, strain_u(shares))
    share = sheet.range.item.saturation_share
    side = 1.0 if trial.shape.hi >= -trial.shape.lo else -1.0
    full_scale = side * sheet.range.item.full_scale_um_m * 1e-6
    found = tuple(
        finding(gauge, holds(raw), trial.shape, own, full_scale)
        for gauge, raw, own in zip(gauges, as_read, trial.figures, strict=True)
    )
    own_ends = [saturation_strains(trial.shape, (own,), share, 0) for own in trial.figures]
    limits = sheet.acceptance.item if sheet.acceptance is not None else None
    batch_factor = float(curve.curve.delta(full_scale)) / full_scale
    return Figures(
        bench=bench,
        gauges=gauges,
        as_read=as_read,
        trials=trials,
        trial=trial,
        intercept=intercept(gauges),
        fitted=curve,
        shares=shares,
        reading_u=max(_scatter(gauges, trial), sheet.instrument.item.reading_u),
        full_scale=full_scale,
        findings=found,
        levels=level_precision(gauges),
        precision=factor_precision(found),
        saturations=saturation_strains(trial.shape, trial.figures, share),
        foil=compare_foil(bench),
        verdicts=judge(found, own_ends, batch_factor, limits),
        sha256=sha256,
    )


def site_curve(found: Figures) -> Curve:
    """The curve as a calibration file holds it."""
    fit, shape = found.fitted, found.fitted.shape
    is_knots = shape.kind == "monotone"
    return Curve(
        kind=shape.kind,
        coefficients=() if is_knots else _floats(fit.figures),
        knots_strain_um_m=_floats(shape.knots * 1e6) if is_knots else (),
        knots_delta=_floats(fit.figures) if is_knots else (),
        range_um_m=(shape.lo * 1e6, shape.hi * 1e6),
        covariance=tuple(_floats(row) for row in fit.covariance),
        degrees_of_freedom=fit.freedom,
        between_gauges=fit.between,
        gauges=fit.gauges,
        reading_u=found.reading_u,
    )


def _worst_shares(bench: Bench) -> dict[str, float]:
    """Shares of the gauge whose strain is known least: their places on the bar may differ."""
    each = [
        strain_shares(bench.sheet, geometry(bench.sheet, serial), uses_mass=bench.uses_mass)
        for serial in bench.serials
    ]
    return max(each, key=strain_u)


def _scatter(gauges: Sequence[GaugeResponse], trial: Trial) -> float:
    """
    Standard deviation of δ about the curve of its own run, pooled over all runs.

    It holds the meter's noise, hysteresis and what the shape misses: all that one reading in the
    field is away from the curve for no reason that the chain could take off.
    """
    squares, freedom = 0.0, 0
    for gauge, own in zip(gauges, trial.figures, strict=True):
        for response, run_figures in zip(gauge.runs, own, strict=True):
            rows = response.is_fitted & (response.strain != 0.0)
            missed = response.delta[rows] - _curve_delta(trial, run_figures, response.strain[rows])
            squares += float(missed @ missed)
            freedom += max(int(rows.sum()) - trial.shape.size, 0)
    return math.sqrt(squares / freedom) if freedom else 0.0


def _curve_delta(trial: Trial, run_figures: Floats, strain: Floats) -> Floats:
    return trial.shape.curve(run_figures).delta(strain)


def _refusal(bench: Bench, trials: Sequence[Trial]) -> Mistake:
    reasons = "; ".join(f"{t.shape.kind}: {t.refused}" for t in trials if t.refused)
    shape = trials[0].shape
    return Mistake(
        bench.file,
        "",
        f"runs that no monotone curve follows ({reasons})",
        f"δ that rises or falls over {shape.lo * 1e6:.0f} to {shape.hi * 1e6:.0f} µm/m",
        "End the runs before δ turns, take more load levels, or look at single gauges: one that "
        "behaves unlike the others is left out with [[left_out]] and its reason.",
    )


def _floats(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in np.asarray(values))
