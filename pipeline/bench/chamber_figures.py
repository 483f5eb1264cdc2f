"""
What the report shows of each gauge in the chamber, and which gauge is refused as broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_design import film_columns
from pipeline.bench.chamber_gauge import GaugeFit
from pipeline.bench.chamber_spread import Estimate
from pipeline.bench.chamber_table import ChamberRuns
from pipeline.errors import ConfigError

Floats = npt.NDArray[np.float64]

BROKEN = 10.0
"""A gauge is refused when its residuals are so many times those of the median gauge."""


@dataclass(frozen=True, eq=False)
class GaugeFigures:
    """One gauge's run, shape (n,) each, and how well the model fits it."""

    serial: str
    time: Floats
    """[s]"""
    temperature: Floats
    """[°C]"""
    moisture: Floats
    """w - w_ref of the film; NaN where the lag was not fitted."""
    measured: Floats
    """δ"""
    fitted: Floats
    residual: Floats
    output: tuple[float, ...]
    """A in δ/Kⁱ of this gauge."""
    humidity_output: tuple[float, ...]
    tau_s: float
    factor_per_k: float
    """c_k; NaN where it was not asked for."""
    drifts: tuple[Estimate, ...]
    noise: float
    """Standard deviation of δ from row to row."""
    residual_sd: float
    lack_of_fit: float
    """Standard deviation of what the model leaves beyond the noise."""
    independent: float
    """How many independent readings the rows are worth."""
    confounded: float
    """Largest |correlation| of slope and drift."""
    slope_without_drift: float


def gauge_figures(fit: GaugeFit) -> GaugeFigures:
    """The figures of one gauge."""
    design, residual = fit.design, fit.residual
    moisture = np.full(len(residual), np.nan)
    if fit.orders.moisture:
        moisture = film_columns(design, fit.tau, fit.activation, 1)[:, 0]
    # Half the mean squared step of neighbours is the noise, whatever moves slowly (von Neumann).
    steps = np.diff(residual)[np.diff(design.run) == 0]
    noise = float(np.sqrt(0.5 * np.mean(steps**2)))
    spread = float(np.sqrt(fit.mean_square))
    return GaugeFigures(
        serial=design.serial,
        time=design.time,
        temperature=design.warm + design.reference_c,
        moisture=moisture,
        measured=fit.measured,
        fitted=fit.fitted,
        residual=residual,
        output=tuple(fit.output.tolist()),
        humidity_output=tuple(fit.moisture.tolist()),
        tau_s=fit.tau,
        factor_per_k=float("nan") if fit.factor_per_k is None else fit.factor_per_k[0],
        drifts=fit.drifts,
        noise=noise,
        residual_sd=spread,
        lack_of_fit=float(np.sqrt(max(0.0, spread**2 - noise**2))),
        independent=len(residual) / fit.inflation,
        confounded=fit.confounded,
        slope_without_drift=fit.slope_without_drift,
    )


def refuse_broken(rows: ChamberRuns, fits: Sequence[GaugeFit]) -> None:
    """
    A gauge that does not follow the model like the others is not averaged with them.

    Raises:
        ConfigError: names each such gauge and its worst row.
    """
    if len(fits) < 2:
        return
    spread = np.sqrt([fit.mean_square for fit in fits])
    mistakes = []
    for i, fit in enumerate(fits):
        others = float(np.median(np.delete(spread, i)))
        if spread[i] > BROKEN * others > 0.0:
            worst = int(fit.design.rows[int(np.argmax(np.abs(fit.residual)))])
            found = (
                f"residuals {spread[i] / others:.0f} times those of the other gauges, worst here"
            )
            remedy = "Take the gauge out if it is broken, or the rows if they are."
            mistakes.append(rows.mistake(worst, found, f"less than {BROKEN:g} times", remedy))
    if mistakes:
        raise ConfigError(tuple(mistakes))
