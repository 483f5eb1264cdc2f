"""
Holds to calibration: load creep from the loaded hold, ageing from the unloaded one.

What the climate did during a hold is taken off with the chamber's tables first. The number of
creep terms is chosen by leaving out whole gauges (their creep is predicted from the others', with
a size of its own), for one gauge by the Bayesian information criterion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_gauge import least_squares
from pipeline.bench.chamber_order import Choice, best_by_gain, best_by_information
from pipeline.bench.chamber_spread import Estimate, new_gauge
from pipeline.bench.chamber_table import ChamberRuns, check_runs
from pipeline.bench.hold_ageing import AgeingGauge, fit_ageing
from pipeline.bench.hold_prony import (
    MOST_TERMS,
    HeldGauge,
    PronyGauge,
    prony_gauge,
    resolved_span,
    shared_taus,
)
from pipeline.bench.hold_rows import Surroundings, held_gauges, refuse_hold, rested_gauges
from pipeline.site.models import Ageing, Creep, Curve, Moisture, Temperature

Floats = npt.NDArray[np.float64]

_GRID = 40


@dataclass(frozen=True)
class HoldFigures:
    """What the report shows: the holds with their fit, and every parameter with its u."""

    holds: tuple[PronyGauge, ...]
    rests: tuple[AgeingGauge, ...]
    estimates: tuple[Estimate, ...]
    """`creep` is that of the whole hold, as a share of the load."""
    choices: tuple[Choice, ...]
    notes: tuple[str, ...]

    @property
    def not_significant(self) -> tuple[str, ...]:
        """Names of the parameters that do not differ from 0 by more than 2u."""
        return tuple(e.name for e in self.estimates if not e.is_significant)


@dataclass(frozen=True)
class HoldFit:
    """The tables of a calibration, and the figures behind them."""

    creep: tuple[Creep, ...]
    ageing: Ageing | None
    """None: there was no rest."""
    figures: HoldFigures


def fit_hold(
    hold: ChamberRuns | None,
    rest: ChamberRuns | None = None,
    *,
    reference_temperature_c: float,
    reference_humidity_rh: float,
    temperature: Temperature | None = None,
    moisture: Moisture | None = None,
    curve: Curve | None = None,
    for_batch: bool = True,
) -> HoldFit:
    """
    Creep and ageing of a batch.

    Args:
        hold: a few rows unloaded, the load held, and the recovery; None: creep is not asked for.
        rest: gauges that were never loaded; None: ageing is not asked for.
        temperature, moisture: from the chamber, to take the climate off; without them a hold
            whose climate moved is refused.
        curve: needed where a hold has more than one applied strain.

    Raises:
        ConfigError: rows that cannot be fitted; names file, row and remedy.
    """
    surroundings = Surroundings(
        reference_temperature_c, reference_humidity_rh / 100.0, temperature, moisture, curve
    )
    for table in (hold, rest):
        if table is not None:
            check_runs(table, is_chamber=False)
            refuse_hold(table, surroundings, is_loaded=table is hold, for_batch=for_batch)
    estimates: list[Estimate] = []
    notes: list[str] = []
    ageing: Ageing | None = None
    rests: tuple[AgeingGauge, ...] = ()
    if rest is not None:
        ageing, estimate, rests, note = fit_ageing(rested_gauges(rest, surroundings))
        estimates.append(estimate)
        notes.append(note)
    creep: tuple[Creep, ...] = ()
    holds: tuple[PronyGauge, ...] = ()
    choices: tuple[Choice, ...] = ()
    if hold is not None:
        gauges = held_gauges(hold, surroundings, ageing)
        creep, holds, choices, figures = _fit_creep(gauges)
        estimates += figures
        notes.append(_span_note(gauges, creep))
    return HoldFit(
        creep, ageing, HoldFigures(holds, rests, tuple(estimates), choices, tuple(notes))
    )


def _fit_creep(
    gauges: Sequence[HeldGauge],
) -> tuple[tuple[Creep, ...], tuple[PronyGauge, ...], tuple[Choice, ...], list[Estimate]]:
    tried: list[tuple[float, ...]] = [()]
    for terms in range(1, MOST_TERMS + 1):
        taus = shared_taus(gauges, terms)
        if taus is None:
            break
        tried.append(taus)
    fits = [[prony_gauge(held, taus) for held in gauges] for taus in tried]
    if len(gauges) < 2:
        scores, best = best_by_information([one[0].residual for one in fits], parameters=2)
    else:
        scores = [float(np.mean([_left_out(fit, one) for fit in one])) for one in fits]
        best = best_by_gain(scores)
    choices = tuple(Choice("creep", k, score, k == best) for k, score in enumerate(scores))
    taken, taus = tuple(fits[best]), tried[best]
    if not taus:
        return (), taken, choices, []
    fractions = np.array([fit.fractions for fit in taken])
    mean = fractions.mean(axis=0)
    u, freedom, total_u = _fraction_u(gauges, taken, taus)
    creep = tuple(
        Creep(
            fraction=float(c),
            fraction_u=float(own_u),
            time_constant_s=tau,
            degrees_of_freedom=freedom,
        )
        for c, own_u, tau in zip(mean, u, taus, strict=True)
    )
    total = Estimate("creep", "1", float(_grown(gauges, taus)[-1] @ mean), total_u, freedom)
    terms_found = [
        Estimate(f"c{i + 1} ({term.time_constant_s:.4g} s)", "1", term.fraction, own_u, freedom)
        for i, (term, own_u) in enumerate(zip(creep, u.tolist(), strict=True))
    ]
    return creep, taken, choices, [*terms_found, total]


def _left_out(fit: PronyGauge, fits: Sequence[PronyGauge]) -> float:
    """Mean squared error of a gauge whose creep is the others', as a share of its load."""
    held = fit.held
    offsets = (held.run[:, None] == np.unique(held.run)).astype(np.float64)
    columns = [held.course * held.gain]
    if len(fit.fractions):
        shape = np.mean([other.fractions for other in fits if other is not fit], axis=0)
        columns.append((fit.lags @ shape) * held.gain)
    matrix = np.concatenate([np.stack(columns, axis=1), offsets], axis=1)
    left = fit.measured - matrix @ least_squares(matrix, fit.measured)
    return float(np.mean(left**2)) / fit.load**2


def _fraction_u(
    gauges: Sequence[HeldGauge], fits: Sequence[PronyGauge], taus: Sequence[float]
) -> tuple[Floats, float, float]:
    """
    u of each fraction for another gauge, ν, and u of the creep over the whole hold.

    The fractions of one gauge are found together, too much in one is too little in the next,
    and the chain adds them up as if they were independent. So their u are those that give, added
    up, the variance of the creep as a whole at every time of the hold.
    """
    from scipy.optimize import nnls

    grown = _grown(gauges, taus)
    freedom, wanted = fits[0].freedom, np.empty(len(grown))
    for i, row in enumerate(grown):
        variances = [float(row @ fit.covariance @ row) for fit in fits]
        if len(fits) == 1:
            wanted[i] = variances[0]
        else:
            _, u, freedom = new_gauge([float(row @ f.fractions) for f in fits], variances)
            wanted[i] = u**2
    weighted = grown**2 / wanted[:, None]
    shares = nnls(weighted, np.ones(len(grown)))[0]
    return np.sqrt(shares), freedom, float(np.sqrt(wanted[-1]))


def _grown(gauges: Sequence[HeldGauge], taus: Sequence[float]) -> Floats:
    """1 - exp(-t/τ) at times over the hold, shape (times, terms)."""
    low, high = resolved_span(gauges)
    time = np.geomspace(low, high, _GRID)
    return np.asarray(-np.expm1(-time[:, None] / np.array(taus)))


def _span_note(gauges: Sequence[HeldGauge], creep: Sequence[Creep]) -> str:
    low, high = resolved_span(gauges)
    if not creep:
        return f"No creep between {low:g} s and {high / 3600:.3g} h stands out of the noise."
    note = f"Creep is known from {low:g} s to {high / 3600:.3g} h under load, and not beyond."
    if creep[-1].time_constant_s > 0.5 * high:
        note += (
            f" Its longest time constant, {creep[-1].time_constant_s / 3600:.3g} h, is hardly "
            "shorter than the hold: hold longer to know where it ends."
        )
    return note
