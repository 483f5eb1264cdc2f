"""
The pictures of a bench report, each as SVG text under its name.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.bench.calibrate import Figures
from pipeline.bench.drawing import BAND, COLOURS, GREY, axes_of, legend, look, svg_of
from pipeline.bench.findings import holds, loop, zero_return
from pipeline.bench.response import GaugeResponse
from pipeline.blocks import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Draw = Callable[["Figure", Figures], None]


def pictures(found: Figures) -> dict[str, str]:
    """SVG text of each picture by name; one that the runs give nothing for is left out."""
    return {
        name: _drawn(draw, found) for name, (draw, has_any) in _PICTURES.items() if has_any(found)
    }


def _drawn(draw: Draw, found: Figures) -> str:
    return svg_of(lambda figure: draw(figure, found))


def _over_time(figure: Figure, found: Figures) -> None:
    timed = bool(np.isfinite(found.gauges[0].runs[0].run.time).all())
    axes = axes_of(figure, "time [min]" if timed else "step", "δ [10⁻³]")
    for i, gauge in enumerate(found.gauges):
        for j, response in enumerate(gauge.runs):
            x = response.run.time / 60.0 if timed else np.arange(len(response.delta))
            label = gauge.serial if j == 0 else None
            style = {**look(i), "linewidth": 0.5, "markersize": 1.6}
            axes.plot(x, response.delta * 1e3, label=label, **style)
    legend(axes, loc="best")


def _delta(figure: Figure, found: Figures) -> None:
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.1, 1.0))
    curve, shape = found.fitted.curve, found.fitted.shape
    grid = np.linspace(shape.lo, shape.hi, 200)
    upper.plot(grid * 1e6, curve.delta(grid) * 1e3, color="black", linewidth=0.7, label="curve")
    output = abs(float(curve.delta(found.full_scale)))
    for i, gauge in enumerate(found.gauges):
        style = {**look(i, line=False), "label": gauge.serial}
        means = gauge.means()
        upper.plot(gauge.strains * 1e6, means * 1e3, **style)
        for response in gauge.runs:
            rows = response.is_fitted
            left = response.delta[rows] - curve.delta(response.strain[rows])
            style = {**look(i, line=False), "markersize": 1.6}
            lower.plot(response.strain[rows] * 1e6, left / output * 100.0, **style)
    lower.axhline(0.0, color="black", linewidth=0.5)
    upper.set_ylabel("δ [10⁻³]")
    lower.set_ylabel("residual\n[% FS]")
    lower.set_xlabel("applied strain [µm/m]")
    legend(upper, loc="upper left")


def _factor(figure: Figure, found: Figures) -> None:
    axes = axes_of(figure, "applied strain [µm/m]", "factor")
    fit = found.fitted
    for lo, hi in ((fit.shape.lo, 0.0), (0.0, fit.shape.hi)):
        if lo == hi:
            continue
        grid = np.linspace(lo, hi, 160)
        grid = grid[np.abs(grid) > 0.03 * max(fit.shape.hi, -fit.shape.lo)]
        secant = fit.curve.delta(grid) / grid
        band = 2.0 * fit.half_u95(grid) / np.abs(grid)
        first = lo < 0.0 or fit.shape.lo == 0.0
        axes.fill_between(
            grid * 1e6,
            secant - band,
            secant + band,
            color=BAND,
            linewidth=0.0,
            label="95 %, another gauge" if first else None,
        )
        axes.plot(grid * 1e6, secant, color="black", label="secant F/ε" if first else None)
        tangent = fit.curve.slope(grid)
        label = "tangent F′" if first else None
        axes.plot(grid * 1e6, tangent, color=GREY, linestyle="--", label=label)
    for i, gauge in enumerate(found.gauges):
        loaded = gauge.strains != 0.0
        secants = gauge.means()[loaded] / gauge.strains[loaded]
        axes.plot(gauge.strains[loaded] * 1e6, secants, **look(i, line=False))
    legend(axes, loc="lower left")


def _loop(figure: Figure, found: Figures) -> None:
    axes = axes_of(figure, "applied strain [µm/m]", "δ − line [% FS]")
    for i, gauge in enumerate(found.gauges):
        factor = found.findings[i].factor
        output = abs(factor * found.full_scale)
        for values, dash in zip(_closed_loop(gauge), ("-", ":"), strict=True):
            left = (values - factor * gauge.strains) / output * 100.0
            there = np.isfinite(left)
            style = {**look(i), "linestyle": dash, "markersize": 2.0}
            axes.plot(gauge.strains[there] * 1e6, left[there], **style)
    axes.plot([], [], color="black", linestyle="-", label="loading")
    axes.plot([], [], color="black", linestyle=":", label="unloading")
    legend(axes, loc="best")


def _closed_loop(gauge: GaugeResponse) -> tuple[Floats, Floats]:
    """Mean δ of loading and of unloading at each level, from zero to the ends and back."""
    pairs = [loop(gauge, run) for run in gauge.runs]
    up, down = (_mean([pair[i] for pair in pairs]) for i in (0, 1))
    zero = gauge.loads == 0.0
    back = _mean([np.array([zero_return(run)]) for run in gauge.runs])
    up, down = np.where(zero, 0.0, up), np.where(zero, back, down)
    ends = ~np.isfinite(up) & (
        (gauge.strains == gauge.strains[0]) | (gauge.strains == gauge.strains[-1])
    )
    means = gauge.means()
    return np.where(ends, means, up), np.where(ends, means, down)


def _runs(figure: Figure, found: Figures) -> None:
    axes = axes_of(figure, "", "factor at full scale")
    precision = found.precision.precision
    for i, one in enumerate(found.findings):
        x = i + np.linspace(-0.2, 0.2, len(one.run_factors))
        axes.plot(x, one.run_factors, **look(i, line=False))
        axes.plot([i - 0.3, i + 0.3], [one.factor] * 2, color=COLOURS[i % len(COLOURS)])
    if np.isfinite(precision.s_R):
        for sign in (-1.0, 1.0):
            axes.axhline(precision.mean + sign * precision.s_R, color=GREY, linestyle=":")
        axes.plot([], [], color=GREY, linestyle=":", label="mean ± s_R")
        legend(axes, loc="best")
    axes.axhline(precision.mean, color="black", linewidth=0.5)
    _name_gauges(axes, found)


def _zeros(figure: Figure, found: Figures) -> None:
    axes = axes_of(figure, "", "zero return [% FS]")
    for i, gauge in enumerate(found.gauges):
        output = abs(found.findings[i].factor * found.full_scale)
        values = [zero_return(run) / output * 100.0 for run in gauge.runs]
        x = i + np.linspace(-0.2, 0.2, len(values))
        axes.plot(x, values, **look(i, line=False))
    axes.axhline(0.0, color="black", linewidth=0.5)
    _name_gauges(axes, found)


def _name_gauges(axes: Axes, found: Figures) -> None:
    serials = [one.serial for one in found.findings]
    axes.set_xticks(range(len(serials)), serials, rotation=20 if len(serials) > 3 else 0)
    axes.set_xlim(-0.6, len(serials) - 0.4)
    axes.grid(visible=False, axis="x")


def _holds(figure: Figure, found: Figures) -> None:
    axes = axes_of(figure, "time in the hold [min]", "change of δ [%]")
    for i, gauge in enumerate(found.as_read):
        first = True
        for hold in holds(gauge):
            label = gauge.serial if first else None
            style = {**look(i), "linewidth": 0.6, "markersize": 2.0}
            axes.plot(hold.seconds / 60.0, hold.change_percent, label=label, **style)
            first = False
    legend(axes, loc="best")


def _foil(figure: Figure, found: Figures) -> None:
    foil = found.foil
    if foil is None:
        return
    axes = axes_of(figure, "strain by beam theory [µm/m]", "foil − beam [µm/m]")
    ends = np.array([min(foil.beam.min(), 0.0), max(foil.beam.max(), 0.0)])
    margin = 2.0 * foil.ratio_u * np.abs(ends)
    zero = np.insert(ends, 1, 0.0)
    width = np.insert(margin, 1, 0.0)
    axes.fill_between(zero, -width, width, color=BAND, linewidth=0.0, label="U95 of both")
    axes.plot(foil.beam, foil.foil - foil.beam, color="black", marker="o", label=foil.serial)
    axes.axhline(0.0, color="black", linewidth=0.5)
    legend(axes, loc="upper left")


def _mean(rows: Sequence[Floats]) -> Floats:
    """Mean over runs; NaN where no run has a value."""
    values = np.array(rows)
    count = np.isfinite(values).sum(axis=0)
    total = np.nansum(values, axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _has_holds(found: Figures) -> bool:
    return any(holds(gauge) for gauge in found.as_read)


def _has_loop(found: Figures) -> bool:
    return any(np.isfinite(one.hysteresis_percent) for one in found.findings)


def _has_zeros(found: Figures) -> bool:
    return any(np.isfinite(one.zero_return_percent) for one in found.findings)


def _always(_: Figures) -> bool:
    return True


_PICTURES: dict[str, tuple[Draw, Callable[[Figures], bool]]] = {
    "time": (_over_time, _always),
    "delta": (_delta, _always),
    "factor": (_factor, _always),
    "loop": (_loop, _has_loop),
    "runs": (_runs, _always),
    "zeros": (_zeros, _has_zeros),
    "holds": (_holds, _has_holds),
    "foil": (_foil, lambda found: found.foil is not None),
}
