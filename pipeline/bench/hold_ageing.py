"""
Ageing of unloaded gauges from a rest: what is left of δ when the climate's part is taken off.

δ = offset + rate·t + a·(T - mean T) + h·(w - mean w): a thermometer that wanders by 0.02 K looks
like 8e-6 of δ in a gauge of 4e-4 per K, as much as half a year of ageing, so that the slopes are
fitted beside the rate and the uncertainty counts how far they go together. A fortnight can hardly
tell t from ln(1 + t/year): where it cannot, the law is linear and the difference of the two laws
after a year is part of the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_gauge import least_squares
from pipeline.bench.chamber_spread import (
    Estimate,
    correlation_factor,
    information_gain,
    new_gauge,
)
from pipeline.physics.creep import ageing_progress
from pipeline.physics.uncertainty import combined
from pipeline.site.models import Ageing

Floats = npt.NDArray[np.float64]
Kind = Literal["linear", "logarithmic"]

KINDS: tuple[Kind, ...] = ("linear", "logarithmic")
TOLD_APART = 10.0
"""What one law must gain on the other, see `information_gain`."""
_LAWS_APART = float((1.0 - np.log(2.0)) / np.sqrt(3.0))
"""Standard uncertainty of the drift of a year that came by the other law, over the drift."""
_STILL_K, _STILL_MOISTURE = 0.01, 0.001


@dataclass(frozen=True, eq=False)
class RestedGauge:
    """One gauge's rest; n rows. Moisture is the film's where its lag is known."""

    serial: str
    time: Floats
    run: npt.NDArray[np.int64]
    temperature: Floats
    moisture: Floats
    signal: Floats
    """R over its median less 1, the known climate part taken off."""


@dataclass(frozen=True, eq=False)
class AgeingGauge:
    """The drift of one gauge under one law."""

    serial: str
    time: Floats
    per_year: float
    variance: float
    freedom: float
    measured: Floats
    """δ less the climate's part."""
    fitted: Floats
    inflation: float


def ageing_gauge(rested: RestedGauge, kind: Kind) -> AgeingGauge:
    """The drift of one gauge under a law, the climate's slopes beside it."""
    runs = np.unique(rested.run)
    columns = [ageing_progress(rested.time - rested.time.min(), kind)]
    columns += [(rested.run == k).astype(np.float64) for k in runs]
    for value, still in ((rested.temperature, _STILL_K), (rested.moisture, _STILL_MOISTURE)):
        if float(np.std(value)) > still:
            columns.append(value - float(np.mean(value)))
    matrix = np.stack(columns, axis=1)
    coefficients = least_squares(matrix, rested.signal)
    residual = rested.signal - matrix @ coefficients
    n, size = matrix.shape
    inflation = correlation_factor(residual)
    scale = np.linalg.norm(matrix, axis=0)
    inverse = np.linalg.pinv((matrix / scale).T @ (matrix / scale))[0, 0] / scale[0] ** 2
    variance = float(residual @ residual) / max(n - size, 1) * inflation * float(inverse)
    climate = matrix[:, 1 + len(runs) :] @ coefficients[1 + len(runs) :]
    level = 1.0 + float(np.mean(coefficients[1 : 1 + len(runs)]))
    return AgeingGauge(
        serial=rested.serial,
        time=rested.time,
        per_year=float(coefficients[0]) / level,
        variance=variance / level**2,
        freedom=max(1.0, n / inflation - size),
        measured=(rested.signal - climate) / level,
        fitted=(matrix @ coefficients - climate) / level,
        inflation=inflation,
    )


def fit_ageing(
    gauges: Sequence[RestedGauge],
) -> tuple[Ageing, Estimate, tuple[AgeingGauge, ...], str]:
    """
    Ageing of another gauge of the batch (of the one gauge, if there is but one).

    Returns:
        The table, its figure, the fits, and a note on how far the laws were told apart.
    """
    fits = {kind: tuple(ageing_gauge(rested, kind) for rested in gauges) for kind in KINDS}
    gain = sum(
        information_gain(line.measured - line.fitted, log.measured - log.fitted, 0)
        for line, log in zip(fits["linear"], fits["logarithmic"], strict=True)
    )
    kind: Kind = "logarithmic" if gain > TOLD_APART else "linear"
    taken = fits[kind]
    if len(taken) == 1:
        value, u, freedom = taken[0].per_year, float(np.sqrt(taken[0].variance)), taken[0].freedom
    else:
        value, u, freedom = new_gauge([f.per_year for f in taken], [f.variance for f in taken])
    note = f"The rest tells that ageing is {kind}."
    if abs(gain) <= TOLD_APART:
        note = (
            "The rest does not tell linear from logarithmic ageing; linear is taken, and the "
            "difference after a year is in its uncertainty."
        )
        total, effective = combined([(u**2, freedom), ((_LAWS_APART * value) ** 2, np.inf)], 1)
        u, freedom = float(total[0]), float(effective[0])
    table = Ageing(kind=kind, per_year=value, per_year_u=u, degrees_of_freedom=freedom)
    return table, Estimate("ageing", "1/year", value, u, freedom), taken, note
