"""
How far apart two edge states are: what their difference can still move, in µm/m.

Memories decay, so that windows after a late reading need not be made again for ever.
"""

from __future__ import annotations

import numpy as np

from pipeline.derive.gauges import Gauge, Plan, StrainModel
from pipeline.derive.series import Series
from pipeline.derive.state import ChainState, CreepState, FilmState, GaugeState
from pipeline.physics.environment import polynomial_slope

_GRID = 129
_INF = float("inf")


def state_distance(a: ChainState, b: ChainState, plan: Plan) -> float:
    """
    Upper bound [µm/m] of how much the difference of two edge states can move any later result.

    It bounds values and uncertainties over the calibrated ranges (humidity from 0 to 1). Infinite
    where the states are not comparable: other gauges, other times of what they remember, other
    values to be joined.
    """
    if a.version != b.version or a.gauges.keys() != b.gauges.keys():
        return _INF
    if a.joined.keys() != b.joined.keys():
        return _INF
    if not all(_is_same(a.joined[name], b.joined[name]) for name in a.joined):
        return _INF
    gauges = {gauge.key: gauge for gauge in plan.gauges}
    worst = 0.0
    for key, first in a.gauges.items():
        second = b.gauges[key]
        if first == second:
            continue
        if key not in gauges:
            return _INF
        worst = max(worst, _gauge_distance(first, second, gauges[key]))
    return worst


def _is_same(a: Series, b: Series) -> bool:
    return np.array_equal(a.time, b.time) and np.array_equal(a.value, b.value)


def _gauge_distance(a: GaugeState, b: GaugeState, gauge: Gauge) -> float:
    times_a = (a.last_time, a.watched_time, a.first_time, a.flat_time)
    times_b = (b.last_time, b.watched_time, b.first_time, b.flat_time)
    if times_a != times_b:
        return _INF
    tested = [abs(x - y) for x, y in zip(a.flat_value, b.flat_value, strict=True)]
    # The newest value is looked at by the rate test alone.
    rated = gauge.limits.rate_per_s is not None
    if rated and a.watched is not None and b.watched is not None:
        tested.append(abs(a.watched - b.watched))
    models = [s.strain for s in gauge.segments if s.strain is not None]
    moved = max((_model_distance(a, b, model) for model in models), default=0.0)
    return max([moved, *tested])


def _model_distance(a: GaugeState, b: GaugeState, model: StrainModel) -> float:
    """Both memories together, over the smallest factor that the curve and c_k leave."""
    thermal = model.thermal
    warmth = np.array(thermal.range_c) - thermal.reference_c
    gain = float(np.min(1.0 + thermal.factor_per_k * warmth))
    fractions = np.abs(np.array(model.creep.fractions))
    weight = model.curve.smallest_slope * gain * (1.0 - float(np.sum(fractions)))
    if weight <= 0.0:
        return _INF
    delta = _film_delta(a.film, b.film, model) + _creep_delta(a.creep, b.creep, model)
    return delta / weight * 1e6


def _film_delta(a: FilmState | None, b: FilmState | None, model: StrainModel) -> float:
    """w(t) lies between w and φ of each state, so that w(t) differs by no more than they do."""
    if model.film is None or a == b:
        return 0.0
    if a is None or b is None or (a.time, a.tau) != (b.time, b.tau):
        return _INF
    grid = np.linspace(0.0, 1.0, _GRID) - model.film.reference
    slope = float(np.max(np.abs(polynomial_slope(model.film.output, grid))))
    value = max(abs(a.moisture - b.moisture), abs(a.drive - b.drive))
    certainty = max(abs(a.moisture_u - b.moisture_u), abs(a.drive_u - b.drive_u))
    return slope * (value + certainty)


def _creep_delta(a: CreepState | None, b: CreepState | None, model: StrainModel) -> float:
    if not model.creep.fractions or a == b:
        return 0.0
    if a is None or b is None or (a.time, a.taus) != (b.time, b.taus):
        return _INF
    worst = max(abs(x - y) for x, y in zip((a.load, *a.states), (b.load, *b.states), strict=True))
    return worst * float(np.sum(np.abs(np.array(model.creep.fractions))))
