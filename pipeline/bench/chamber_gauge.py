"""
Fit of one gauge's chamber rows: separable least squares, the lag outside, all else inside.

For a lag (ln τ, and B where it is asked for) the best linear coefficients are one linear solution;
only the lag is searched for (G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413,
doi:10.1137/0710036). The covariance is that of all parameters together, at the solution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_design import Design, film_columns
from pipeline.bench.chamber_spread import Estimate, correlation_factor

Floats = npt.NDArray[np.float64]

_TAUS_TRIED = 10
_RANK = 1e-11
_STEP = 1e-3
_LARGEST_B = 20_000.0
_B_SCALE = 1_000.0
_HOURS = 24.0
"""Of the day in which the columns count drift."""


@dataclass(frozen=True)
class Orders:
    """How many powers of T - T_ref and of w - w_ref, and whether τ follows temperature."""

    temperature: int
    moisture: int
    activation: bool = False


@dataclass(frozen=True, eq=False)
class GaugeFit:
    """The fit of one gauge; coefficients refer to its own R0."""

    design: Design
    orders: Orders
    output: Floats
    """A in δ/Kⁱ."""
    moisture: Floats
    """H in δ per (w - w_ref)ⁱ."""
    tau: float
    """τ at the reference temperature [s]; NaN without moisture."""
    activation: float
    covariance: Floats
    """Of A, H, ln τ and B (as far as fitted), in this order."""
    factor_per_k: tuple[float, float] | None
    """c_k and its variance."""
    drifts: tuple[Estimate, ...]
    """δ per hour of each run."""
    fitted: Floats
    """δ, shape (n,)."""
    measured: Floats
    inflation: float
    """g of the residuals."""
    freedom: float
    confounded: float
    """Largest |correlation| between the slope of A and a drift."""
    slope_without_drift: float

    @property
    def residual(self) -> Floats:
        """Measured less fitted δ."""
        return self.measured - self.fitted

    @property
    def mean_square(self) -> float:
        """Mean squared residual."""
        return float(np.mean(self.residual**2))


def fit_gauge(design: Design, orders: Orders, lag: tuple[float, float] | None = None) -> GaugeFit:
    """
    Fit of one gauge.

    Args:
        design: of the gauge.
        orders: of the model.
        lag: τ [s] and B [K] that are held; None: they are searched for.
    """
    if not orders.moisture:
        tau, activation = float("nan"), 0.0
    elif lag is None:
        tau, activation = _searched(design, orders)
    else:
        tau, activation = lag
    columns, coefficients = _solved(design, orders, tau, activation)
    return _described(design, orders, (tau, activation), columns, coefficients)


def columns_of(design: Design, orders: Orders, tau: float, activation: float) -> Floats:
    """All columns at a lag: powers of T, powers of w, fading starts, then the fixed ones."""
    parts = [design.powers(orders.temperature)] if orders.temperature else []
    if orders.moisture:
        parts.append(film_columns(design, tau, activation, orders.moisture))
    return np.concatenate([*parts, design.fixed], axis=1)


def _solved(design: Design, orders: Orders, tau: float, activation: float) -> tuple[Floats, Floats]:
    columns = columns_of(design, orders, tau, activation)
    return columns, least_squares(columns, design.signal)


def least_squares(columns: Floats, signal: Floats) -> Floats:
    """Coefficients of least squares; columns are scaled, dependent ones share their part."""
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0.0] = 1.0
    basis, triangle = np.linalg.qr(columns / scale)
    solution = np.linalg.lstsq(triangle, basis.T @ signal, rcond=_RANK)[0]
    return np.asarray(solution / scale)


def _searched(design: Design, orders: Orders) -> tuple[float, float]:
    """τ and B of least squares: the best of some τ over the run's length, then refined."""
    from scipy.optimize import least_squares as minimised

    outer = np.concatenate([design.powers(orders.temperature), design.fixed], axis=1)
    basis = np.linalg.qr(outer / np.maximum(np.linalg.norm(outer, axis=0), 1e-300))[0]
    target = design.signal - basis @ (basis.T @ design.signal)
    size = float(np.linalg.norm(target)) or 1.0

    def residual(x: Floats) -> Floats:
        activation = float(x[1]) * _B_SCALE if len(x) > 1 else 0.0
        film = film_columns(design, float(np.exp(x[0])), activation, orders.moisture)
        film = film - basis @ (basis.T @ film)
        # Normal equations are good enough to search by; the solution itself is found without.
        share = np.linalg.lstsq(film.T @ film, film.T @ target, rcond=_RANK)[0]
        return np.asarray((target - film @ share) / size)

    step, span = float(np.median(np.diff(design.time))), float(np.ptp(design.time))
    low, high = np.log(0.5 * step), np.log(2.0 * span)
    tried = np.linspace(low, high, _TAUS_TRIED + 2)[1:-1]
    start = min(tried.tolist(), key=lambda x: float(np.sum(residual(np.array([x])) ** 2)))
    first, bounds = np.array([start]), ([low], [high])
    if orders.activation:
        largest = _LARGEST_B / _B_SCALE
        first, bounds = np.array([start, 0.0]), ([low, -largest], [high, largest])
    best = minimised(residual, first, bounds=bounds, xtol=1e-7, ftol=1e-9, diff_step=1e-4).x
    return float(np.exp(best[0])), float(best[1]) * _B_SCALE if orders.activation else 0.0


def _described(
    design: Design,
    orders: Orders,
    lag: tuple[float, float],
    columns: Floats,
    coefficients: Floats,
) -> GaugeFit:
    a, h = orders.temperature, orders.moisture
    width = columns.shape[1]
    fixed = width - design.fixed.shape[1]
    modelled = columns @ coefficients
    residual = design.signal - modelled
    jacobian = np.concatenate([columns, *_lag_slopes(design, orders, lag, coefficients)], axis=1)
    n, size = jacobian.shape
    inflation = correlation_factor(residual)
    freedom = max(1.0, n / inflation - size)
    variance = float(residual @ residual) / max(n - size, 1) * inflation
    covariance = _inverse(jacobian) * variance
    offset = coefficients[fixed : fixed + len(design.offsets)]
    scale = float(np.mean((1.0 + offset) / (1.0 + np.array(design.loaded))))
    model = [*range(a + h), *range(width, size)]
    unit = np.where(np.arange(len(model)) < a + h, scale, 1.0)
    drift = [fixed + i for i in design.drifts]
    return GaugeFit(
        design=design,
        orders=orders,
        output=coefficients[:a] / scale,
        moisture=coefficients[a : a + h] / scale,
        tau=lag[0],
        activation=lag[1],
        covariance=covariance[np.ix_(model, model)] / np.outer(unit, unit),
        factor_per_k=_factor_per_k(design, coefficients, covariance, fixed, scale),
        drifts=_drifts(drift, coefficients, covariance, scale, freedom),
        fitted=modelled / scale,
        measured=design.signal / scale,
        inflation=inflation,
        freedom=freedom,
        confounded=_confounded(covariance, drift),
        slope_without_drift=_without_drift(design, columns, drift) / scale,
    )


def _drifts(
    columns: list[int], coefficients: Floats, covariance: Floats, scale: float, freedom: float
) -> tuple[Estimate, ...]:
    per_h = scale * _HOURS
    return tuple(
        Estimate(
            f"drift, run {k}",
            "1/h",
            float(coefficients[i]) / per_h,
            float(np.sqrt(covariance[i, i])) / per_h,
            freedom,
        )
        for k, i in enumerate(columns, start=1)
    )


def _lag_slopes(
    design: Design, orders: Orders, lag: tuple[float, float], coefficients: Floats
) -> list[Floats]:
    """Derivatives of the model with ln τ and B, each of shape (n, 1), by central differences."""
    if not orders.moisture:
        return []
    first = orders.temperature
    last = first + orders.moisture + len(design.offsets)
    part = coefficients[first:last]
    steps = [(_STEP, 0.0)]
    if orders.activation:
        steps.append((0.0, _STEP * _B_SCALE))
    slopes = []
    for log_step, b_step in steps:
        ahead, behind = (
            film_columns(
                design,
                lag[0] * float(np.exp(sign * log_step)),
                lag[1] + sign * b_step,
                orders.moisture,
            )
            for sign in (1.0, -1.0)
        )
        slopes.append(((ahead - behind) @ part / (2.0 * (log_step + b_step)))[:, None])
    return slopes


def _inverse(jacobian: Floats) -> Floats:
    """(JᵀJ)⁻¹ with scaled columns; directions that the data do not show are left out."""
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0.0] = 1.0
    triangle = np.linalg.qr(jacobian / scale, mode="r")
    _, values, turned = np.linalg.svd(triangle)
    kept = values > _RANK * values[0]
    half = turned[kept].T / values[kept]
    return np.asarray((half @ half.T) / np.outer(scale, scale))


def _factor_per_k(
    design: Design, coefficients: Floats, covariance: Floats, fixed: int, scale: float
) -> tuple[float, float] | None:
    """c_k = slope/load over all levels, weighted with the square of the load; its variance."""
    found = [level for level in design.levels if level.slope is not None]
    if not found:
        return None
    ratios, weights, gradients = [], [], []
    for level in found:
        gradient = np.zeros(len(covariance))
        slope = fixed + (level.slope or 0)
        if level.load is None:
            load = level.known * scale
        else:
            load = float(coefficients[fixed + level.load])
        gradient[slope] = 1.0 / load
        if level.load is not None:
            gradient[fixed + level.load] = -float(coefficients[slope]) / load**2
        ratios.append(float(coefficients[slope]) / load)
        weights.append(load**2)
        gradients.append(gradient)
    share = np.array(weights) / np.sum(weights)
    gradient = share @ np.array(gradients)
    return float(share @ np.array(ratios)), float(gradient @ covariance @ gradient)


def _confounded(covariance: Floats, drift: list[int]) -> float:
    spread = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    return float(np.max(np.abs(covariance[0, drift] / (spread[0] * spread[drift])), initial=0.0))


def _without_drift(design: Design, columns: Floats, drift: list[int]) -> float:
    """The slope of A as it would come out if nothing drifted: shown beside the other."""
    return float(least_squares(np.delete(columns, drift, axis=1), design.signal)[0])
