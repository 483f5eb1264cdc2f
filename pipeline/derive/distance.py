"""
How far apart two edge states are: what their difference can still move, in µm/m.

Memories decay, so that windows after a late reading need not be made again for ever.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.combine_state import carried_distance
from pipeline.derive.gauges import Gauge, Limits, Plan, StrainModel
from pipeline.derive.series import Series
from pipeline.derive.state import ChainState, CreepState, FilmState, GaugeState, NoiseState
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
    worst = carried_distance(a.combined, b.combined)
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
    limits = gauge.limits
    if _times(a, limits) != _times(b, limits) or _warming(a, gauge) != _warming(b, gauge):
        return _INF
    tested = [abs(x - y) for x, y in zip(a.flat_value, b.flat_value, strict=True)]
    # The newest values are looked at by the tests of rate and spike alone.
    if limits.rate_per_s is not None or limits.spike is not None:
        tested += _apart(a.watched, b.watched)
    if limits.spike is not None:
        tested += _apart(a.earlier, b.earlier)
    tested.append(_noise_distance(a.noise, b.noise, limits))
    models = [s.strain for s in gauge.segments if s.strain is not None]
    moved = max((_model_distance(a, b, model) for model in models), default=0.0)
    return max([moved, *tested])


def _times(state: GaugeState, limits: Limits) -> tuple[object, ...]:
    """What must be equal for two states to be comparable at all."""
    times: tuple[object, ...] = (
        state.last_time,
        state.watched_time,
        state.first_time,
        state.flat_time,
    )
    if limits.spike is not None:
        times += (state.earlier_time,)
    if limits.clock_us is not None:
        times += (state.last_sequence,)
    return times


def _warming(state: GaugeState, gauge: Gauge) -> int | None:
    """When the excitation came back, as long as that can still set a flag."""
    longest = max((segment.warm_up_us for segment in gauge.segments), default=0)
    if state.awake_time is None or state.awake_since is None:
        return None
    return state.awake_since if state.awake_time - state.awake_since < longest else None


def _apart(a: float | None, b: float | None) -> list[float]:
    return [] if a is None or b is None else [abs(a - b)]


def _noise_distance(a: NoiseState | None, b: NoiseState | None, limits: Limits) -> float:
    """
    How far a standard deviation may be moved: the pooled one is the length of a vector of the
    slices' own deviations and means, each of which moves it by no more than it moved.
    """
    if limits.slice_us is None or a == b:
        return 0.0
    if a is None or b is None or _slices(a) != _slices(b):
        return _INF
    mean_a, deviation_a = _moments(a)
    mean_b, deviation_b = _moments(b)
    spread = np.max(np.abs(deviation_a - deviation_b))
    return float(np.max(np.abs(mean_a - mean_b)) + spread)


def _slices(noise: NoiseState) -> tuple[object, ...]:
    return noise.width, noise.since, noise.index, noise.count


def _moments(noise: NoiseState) -> tuple[Floats, Floats]:
    """Mean and standard deviation (n) of each slice."""
    count = np.array(noise.count, np.float64)
    away = np.array(noise.total) / count
    variance = np.array(noise.square) / count - away**2
    return np.array(noise.origin) + away, np.sqrt(np.maximum(variance, 0.0))


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
    film = model.followed_film
    if film is None or a == b:
        return 0.0
    if a is None or b is None or (a.time, a.tau) != (b.time, b.tau):
        return _INF
    grid = np.linspace(0.0, 1.0, _GRID) - film.reference
    slope = float(np.max(np.abs(polynomial_slope(film.output, grid))))
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
