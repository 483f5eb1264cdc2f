"""
Takes off a bench response what is not its load: warming during the run, and creep under load.

δ_load = (δ - A(T) + A(T_first))/(1 + c_k·(T - T_ref)), then the creep of the load's own history
by the states of `pipeline.physics.creep`. What the chamber and the hold have not shown stays in.
Moisture does not move in the minutes of a run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.bench.response import GaugeResponse, Response
from pipeline.blocks import Floats
from pipeline.physics.creep import creep_states
from pipeline.physics.environment import polynomial
from pipeline.site.models import Creep, Temperature


@dataclass(frozen=True)
class Known:
    """What else is known of the batch when its runs are looked at."""

    reference_c: float
    temperature: Temperature | None = None
    creep: tuple[Creep, ...] = ()


def reduced(gauge: GaugeResponse, known: Known) -> GaugeResponse:
    """The gauge's runs with everything taken off that `known` tells."""
    runs = [_without_warming(response, known) for response in gauge.runs]
    return replace(gauge, runs=tuple(_without_creep(response, known.creep) for response in runs))


def has_times(gauges: Sequence[GaugeResponse]) -> bool:
    """Whether every row of every run has its time, without which creep cannot be taken off."""
    return all(bool(np.isfinite(run.run.time).all()) for gauge in gauges for run in gauge.runs)


def _without_warming(response: Response, known: Known) -> Response:
    sheet = known.temperature
    if sheet is None or not sheet.output:
        return response
    change = response.run.temperature - known.reference_c
    output = polynomial(sheet.output, change)
    load = (response.delta - (output - output[0])) / (1.0 + sheet.factor_per_k * change)
    return replace(response, delta=load)


def _without_creep(response: Response, creep: tuple[Creep, ...]) -> Response:
    time = response.run.time
    if not creep or not np.isfinite(time).all():
        return response
    fractions: Floats = np.array([one.fraction for one in creep])
    taus = [one.time_constant_s for one in creep]
    step = np.diff(time, prepend=time[0])
    states = creep_states(step, response.delta, fractions, taus, 0.0, np.zeros(len(taus)))
    return replace(response, delta=response.delta - states @ fractions)
