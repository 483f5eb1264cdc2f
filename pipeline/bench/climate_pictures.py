"""
Pictures of the chamber, the hold and the rest: what was measured, and what the fit leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.bench.drawing import axes_of, legend, look, svg_of
from pipeline.bench.outcome import Outcome
from pipeline.blocks import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HOUR, _DAY = 3600.0, 86_400.0
_POINTS = 300
"""Most points of a line: the page would grow by a megabyte and look the same."""


def climate_pictures(outcome: Outcome) -> dict[str, str]:
    """SVG text of each picture by its caption; empty without chamber, hold and rest."""
    drawn: dict[str, str] = {}
    if outcome.chamber is not None:
        drawn["Chamber: δ and its fit over time"] = svg_of(lambda f: _chamber(f, outcome))
        drawn["Chamber: residuals against temperature"] = svg_of(lambda f: _left(f, outcome))
        drawn["Thermal output A(T) of each gauge"] = svg_of(lambda f: _output(f, outcome))
    if outcome.hold is not None and outcome.hold.figures.holds:
        drawn["Hold: creep and its fit"] = svg_of(lambda f: _hold(f, outcome))
    if outcome.hold is not None and outcome.hold.figures.rests:
        drawn["Rest: ageing and its fit"] = svg_of(lambda f: _rest(f, outcome))
    return drawn


def _chamber(figure: Figure, outcome: Outcome) -> None:
    axes = axes_of(figure, "time [h]", "δ [10⁻³]")
    if outcome.chamber is None:
        return
    for i, gauge in enumerate(outcome.chamber.figures.gauges):
        # Runs follow each other; their own times may all begin at zero.
        hours = _consecutive(gauge.time) / _HOUR
        _measured_and_fitted(axes, i, gauge.serial, hours, gauge.measured, gauge.fitted)
    _explain(axes)


def _left(figure: Figure, outcome: Outcome) -> None:
    axes = axes_of(figure, "temperature [°C]", "residual δ [10⁻⁶]")
    if outcome.chamber is None:
        return
    for i, gauge in enumerate(outcome.chamber.figures.gauges):
        rows = _thinned(len(gauge.residual))
        style = {**look(i, line=False), "markersize": 1.4, "label": gauge.serial}
        axes.plot(gauge.temperature[rows], gauge.residual[rows] * 1e6, **style)
    axes.axhline(0.0, color="black", linewidth=0.5)
    legend(axes, loc="best")


def _output(figure: Figure, outcome: Outcome) -> None:
    axes = axes_of(figure, "temperature [°C]", "A [10⁻³]")
    if outcome.chamber is None or outcome.temperature is None:
        return
    low, high = outcome.temperature.range_c
    grid = np.linspace(low, high, 60)
    warm = grid - outcome.calibration.reference_temperature_c
    for i, gauge in enumerate(outcome.chamber.figures.gauges):
        style = {**look(i), "marker": "none", "label": gauge.serial}
        axes.plot(grid, _powers(gauge.output, warm) * 1e3, **style)
    mean = _powers(outcome.temperature.output, warm) * 1e3
    axes.plot(grid, mean, color="black", linewidth=1.2, label="calibration")
    legend(axes, loc="best")


def _hold(figure: Figure, outcome: Outcome) -> None:
    axes = axes_of(figure, "time [h]", "creep, share of the load")
    if outcome.hold is None:
        return
    for i, one in enumerate(outcome.hold.figures.holds):
        hours = _consecutive(one.held.time) / _HOUR
        # Without the load's own steps, which are fifty times as large.
        crept = [values / one.load - one.held.course for values in (one.measured, one.fitted)]
        start = float(crept[1][0])
        serial = one.held.serial
        _measured_and_fitted(axes, i, serial, hours, crept[0] - start, crept[1] - start, scale=1.0)
    _explain(axes)


def _rest(figure: Figure, outcome: Outcome) -> None:
    axes = axes_of(figure, "time [d]", "δ [10⁻⁶]")
    if outcome.hold is None:
        return
    for i, one in enumerate(outcome.hold.figures.rests):
        days = (one.time - one.time.min()) / _DAY
        _measured_and_fitted(axes, i, one.serial, days, one.measured, one.fitted, scale=1e6)
    _explain(axes)


def _measured_and_fitted(
    axes: Axes,
    i: int,
    serial: str,
    time: Floats,
    measured: Floats,
    fitted: Floats,
    scale: float = 1e3,
) -> None:
    rows = _thinned(len(time))
    dots = {**look(i, line=False), "markersize": 1.4, "label": serial}
    axes.plot(time[rows], measured[rows] * scale, **dots)
    axes.plot(time[rows], fitted[rows] * scale, color="black", linewidth=0.5)


def _explain(axes: Axes) -> None:
    axes.plot([], [], color="black", linewidth=0.5, label="fit")
    legend(axes, loc="best")


def _consecutive(time: Floats) -> Floats:
    """Time in which a run begins where the one before ended."""
    step = np.diff(time, prepend=time[0])
    return np.cumsum(np.where(step > 0.0, step, 0.0))


def _thinned(n: int) -> Floats:
    """Rows evenly over the table, both ends included."""
    return np.unique(np.linspace(0, n - 1, min(n, _POINTS)).astype(np.int64))


def _powers(coefficients: Sequence[float], x: Floats) -> Floats:
    return np.asarray(sum(c * x ** (i + 1) for i, c in enumerate(coefficients)), np.float64)
