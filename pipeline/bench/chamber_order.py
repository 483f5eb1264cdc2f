"""
How many powers the chamber runs carry: by cross-validation that leaves out whole gauges.

For each gauge left out, the second and higher powers are those that the others found; its own
offset, drifts, loads and first power are fitted to it. What the batch's spread does to the slope
is no reason for a curve; a bend that all gauges share is. A higher order is taken only where it
lowers the mean squared residual by `GAIN`. One gauge alone is judged by the Bayesian information
criterion on independent readings (n/g).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_design import Design
from pipeline.bench.chamber_gauge import GaugeFit, Orders, columns_of, fit_gauge, least_squares
from pipeline.bench.chamber_spread import information_gain, new_gauge

Floats = npt.NDArray[np.float64]
Lag = tuple[float, float] | None

GAIN = 0.01
BIC_GAIN = 10.0
"""What a richer model must gain, see `information_gain`."""
_HIGHEST_TEMPERATURE, _HIGHEST_MOISTURE = 3, 2
_STEP_K, _STEP_MOISTURE = 5.0, 0.1
_APART_K = 8.0


@dataclass(frozen=True)
class Choice:
    """One order that was tried, and its score (mean squared error of δ, or BIC)."""

    what: str
    order: int
    score: float
    is_taken: bool


def chosen(
    designs: Sequence[Design], *, has_humidity: bool
) -> tuple[Orders, tuple[GaugeFit, ...], tuple[Choice, ...]]:
    """The orders, the fits with them, and what was tried."""
    most = Orders(
        _highest(designs, "warm", _STEP_K, _HIGHEST_TEMPERATURE),
        _highest(designs, "drive", _STEP_MOISTURE, _HIGHEST_MOISTURE) if has_humidity else 0,
    )
    choices: list[Choice] = []
    orders, fits = most, [fit_gauge(design, most) for design in designs]
    if has_humidity:
        orders, fits = _with_activation(designs, orders, fits, choices)
    searched = orders
    lags: list[Lag] = [(fit.tau, fit.activation) if has_humidity else None for fit in fits]
    for what in ("moisture", "temperature"):
        highest: int = getattr(most, what)
        tried = [_with_order(orders, what, order) for order in range(1, highest + 1)]
        if not tried:
            continue
        scores, best = _scored(designs, lags, tried, what)
        choices += [Choice(what, i + 1, s, i == best) for i, s in enumerate(scores)]
        orders = tried[best]
    if orders != searched:
        fits = [fit_gauge(design, orders) for design in designs]
    return orders, tuple(fits), tuple(choices)


def _with_order(orders: Orders, what: str, order: int) -> Orders:
    if what == "moisture":
        return replace(orders, moisture=order)
    return replace(orders, temperature=order)


def _highest(designs: Sequence[Design], what: str, step: float, limit: int) -> int:
    """As many powers as there are distinct levels less one, for the gauge that has fewest."""
    levels = (len(np.unique(np.round(getattr(d, what) / step))) for d in designs)
    return max(1, min(limit, min(levels) - 1))


def _scored(
    designs: Sequence[Design], lags: Sequence[Lag], tried: Sequence[Orders], what: str
) -> tuple[list[float], int]:
    """Score of each order tried, and which is the best."""
    fits = [
        [fit_gauge(d, orders, lag) for d, lag in zip(designs, lags, strict=True)]
        for orders in tried
    ]
    if len(designs) < 2:
        return best_by_information([one[0].residual for one in fits])
    scores = []
    for one in fits:
        errors = [
            _left_out(fit, lags[i], [o for k, o in enumerate(one) if k != i], what)
            for i, fit in enumerate(one)
        ]
        scores.append(float(np.mean(errors)))
    return scores, best_by_gain(scores)


def best_by_gain(scores: Sequence[float]) -> int:
    """Index of the simplest model that no richer one betters by `GAIN`."""
    best = 0
    for k in range(1, len(scores)):
        if scores[k] < scores[best] * (1.0 - GAIN):
            best = k
    return best


def best_by_information(
    residuals: Sequence[Floats], parameters: int = 1
) -> tuple[list[float], int]:
    """BIC of each model against the best simpler one (below 0 is better), and the best one."""
    best, scores = 0, [0.0]
    for k in range(1, len(residuals)):
        gain = information_gain(residuals[best], residuals[k], (k - best) * parameters)
        scores.append(-gain)
        if gain > BIC_GAIN:
            best = k
    return scores, best


def _left_out(fit: GaugeFit, lag: Lag, others: Sequence[GaugeFit], what: str) -> float:
    """Mean squared residual of a gauge whose higher powers are those of the others."""
    design, orders = fit.design, fit.orders
    columns = columns_of(design, orders, *(lag or (1.0, 0.0)))
    first = 0 if what == "temperature" else orders.temperature
    order = getattr(orders, what)
    shape = np.mean([o.output if what == "temperature" else o.moisture for o in others], axis=0)
    given = list(range(first + 1, first + order))
    target = fit.measured - columns[:, given] @ shape[1:]
    own = np.delete(columns, given, axis=1)
    return float(np.mean((target - own @ least_squares(own, target)) ** 2))


def _with_activation(
    designs: Sequence[Design], orders: Orders, fits: list[GaugeFit], choices: list[Choice]
) -> tuple[Orders, list[GaugeFit]]:
    """B is taken where humidity moved at two temperatures, and it earns 10 BIC and twice its u."""
    if not all(_moved_at_two_temperatures(design) for design in designs):
        return orders, fits
    warmer = replace(orders, activation=True)
    tried = [fit_gauge(design, warmer) for design in designs]
    gain = sum(
        information_gain(plain.residual, fit.residual, 1)
        for plain, fit in zip(fits, tried, strict=True)
    )
    is_taken = gain > BIC_GAIN and _stands_out(tried)
    choices.append(Choice("activation", 0, 0.0, not is_taken))
    choices.append(Choice("activation", 1, -gain, is_taken))
    return (warmer, tried) if is_taken else (orders, fits)


def _stands_out(fits: Sequence[GaugeFit]) -> bool:
    values = [fit.activation for fit in fits]
    variances = [float(fit.covariance[-1, -1]) for fit in fits]
    if len(fits) < 2:
        return abs(values[0]) > 2.0 * float(np.sqrt(variances[0]))
    value, u, _ = new_gauge(values, variances)
    return abs(value) > 2.0 * u


def _moved_at_two_temperatures(design: Design) -> bool:
    """Whether a change of humidity was followed at temperatures well apart."""
    moving = np.abs(np.diff(design.drive)) > 0.25 * _STEP_MOISTURE
    warm = design.warm[1:][moving]
    return len(warm) > 1 and float(np.ptp(warm)) >= _APART_K
