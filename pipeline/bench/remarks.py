"""
What whoever signs a calibration must know before: said in sentences, never only in a figure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from pipeline.bench.calibrate import Figures
from pipeline.bench.choose import leaves_out
from pipeline.bench.reduce import Known, has_times

_FEW = 5
_WARMED_K = 1.0
"""Warming within a run that, without a chamber's A(T), is worth a word."""


def remarks(found: Figures, known: Known) -> tuple[str, ...]:
    """Every remark on a bench, the gravest first."""
    return (
        *_on_fitness(found),
        *_on_strain(found),
        *_on_range(found),
        *_on_number(found),
        *_on_climate(found, known),
    )


def _on_fitness(found: Figures) -> Iterator[str]:
    unfit = [one.serial for one in found.verdicts if one.is_fit is False]
    if unfit:
        yield (
            f"Not fit by the limits of the sheet: {', '.join(unfit)}. Their runs are still in the "
            "curve and in the spread; to leave a gauge out, write [[left_out]] with the reason."
        )
    if all(one.is_fit is None for one in found.verdicts):
        yield "No limits were stated in [acceptance], so no gauge was judged."
    for one in found.bench.sheet.left_out:
        yield f"Left out: {one.item.serial}, because: {one.item.reason}"


def _on_strain(found: Figures) -> Iterator[str]:
    foil = found.foil
    if foil is None:
        yield "No foil gauge was on the bar: the strain rests on beam theory alone."
    elif not foil.agrees:
        yield (
            f"Foil and beam theory disagree by {(foil.ratio - 1) * 100:+.2f} %, more than their "
            f"uncertainties allow (E_n = {foil.e_n:.2f}): measure thickness, distances and loads "
            "again before this calibration is used."
        )


def _on_range(found: Figures) -> Iterator[str]:
    shape = found.fitted.shape
    for end, side in ((shape.lo, "compression"), (shape.hi, "tension")):
        if end == 0.0:
            yield f"Never loaded in {side}: readings there are beyond the calibrated range."
    if abs(found.full_scale) > max(shape.hi, -shape.lo) * 1.0005:
        reached = max(shape.hi, -shape.lo) * 1e6
        yield (
            f"The runs reached {reached:.0f} µm/m and not full scale: figures at full scale "
            "continue the curve straight."
        )
    for one in found.saturations:
        if one.is_reached:
            share = found.bench.sheet.range.item.saturation_share * 100
            yield (
                f"Saturation in {one.side}: beyond {abs(one.strain_um_m):.0f} µm/m the tangent "
                f"factor is below {share:.0f} % of its maximum, inside the calibrated range."
            )


def _on_number(found: Figures) -> Iterator[str]:
    n, left = found.fitted.gauges, leaves_out(found.gauges)
    if left == "run":
        yield (
            "One gauge only: the calibration is of this serial, cross-validation left out whole "
            "runs, and nothing is known of the spread of its batch."
        )
    elif n < _FEW:
        yield (
            f"{n} gauges are few: the spread between gauges has {n - 1} degrees of freedom, which "
            "the stated uncertainty carries (Student's factor, not 2)."
        )
    refused = [f"{t.shape.kind} ({t.refused})" for t in found.trials if t.refused]
    if refused:
        yield f"Shapes that could not be used: {'; '.join(refused)}."


def _on_climate(found: Figures, known: Known) -> Iterator[str]:
    runs = [response.run for gauge in found.gauges for response in gauge.runs]
    warmed = max(float(np.ptp(run.temperature)) for run in runs)
    mean = float(np.mean([np.mean(run.temperature) for run in runs]))
    apart = mean - known.reference_c
    if known.temperature is None and warmed > _WARMED_K:
        yield (
            f"The bar warmed by up to {warmed:.1f} K within a run, and without a chamber run that "
            "cannot be taken off."
        )
    if known.temperature is None and abs(apart) > _WARMED_K:
        yield (
            f"The bench stood at {mean:.1f} °C, {apart:+.1f} K from the reference: the factor "
            "holds for the bench's temperature."
        )
    if not known.creep:
        yield "Creep during the runs is in the curve: no hold was evaluated to take it off."
    elif not has_times(found.gauges):
        yield "Creep during the runs is in the curve: not every row has its time."
    if all(math.isnan(one.hold_creep_percent) for one in found.findings):
        yield "No hold under load: creep was not looked at in these runs."
