"""
Prony series of a loaded hold: one to three terms with time constants that all gauges share.

The load shows as L·(1 + Σ c_i·z_i), z_i the first-order lag of the load's course; unloading is
part of the course, so that recovery tells as much as the hold. For given τ the best L and c_i are
one linear solution; τ is looked for on a grid of the hold's span, then refined. A τ shorter than
the rows lie apart, or longer than the load was held, is not resolved and not offered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_gauge import least_squares
from pipeline.bench.chamber_spread import correlation_factor
from pipeline.physics.recurrence import driven_states

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_TERMS = 3
_TAUS_TRIED = 16
_FEW_STEPS = 12
_APART = 2.0
"""Two time constants nearer than this factor cannot be told apart."""


@dataclass(frozen=True, eq=False)
class HeldGauge:
    """One gauge's hold, climate and ageing taken off; n rows."""

    serial: str
    rows: Ints
    time: Floats
    run: Ints
    course: Floats
    """Load as a share of the largest, shape (n,)."""
    gain: Floats
    """1 + c_k·(T - mean T)."""
    signal: Floats
    """R over that of the unloaded rows less 1, climate and ageing taken off."""


@dataclass(frozen=True, eq=False)
class PronyGauge:
    """The fit of one gauge at the shared time constants."""

    held: HeldGauge
    load: float
    """L, δ of the load without creep."""
    fractions: Floats
    lags: Floats
    """z of each term, shape (n, m)."""
    covariance: Floats
    """Of the fractions."""
    fitted: Floats
    """δ, shape (n,)."""
    measured: Floats
    inflation: float
    freedom: float

    @property
    def residual(self) -> Floats:
        """Measured less fitted δ."""
        return self.measured - self.fitted


def lags(held: HeldGauge, taus: npt.ArrayLike) -> Floats:
    """z of each time constant, shape (n, m); each run begins unloaded."""
    tau = np.asarray(taus, np.float64)
    found = np.zeros((len(held.time), len(tau)))
    for k in np.unique(held.run):
        rows = np.flatnonzero(held.run == k)
        found[rows] = _run_lags(held.time[rows], held.course[rows], tau)
    return found


def _run_lags(time: Floats, course: Floats, tau: Floats) -> Floats:
    changes = np.diff(course, prepend=0.0)
    steps = np.flatnonzero(changes)
    states = np.zeros((len(time), len(tau)))
    if len(steps) <= _FEW_STEPS:
        # Closed form: a step answers with 1 - exp(-t/τ) from its row on.
        for i in steps.tolist():
            since = time[i:, None] - time[i]
            states[i:] -= changes[i] * np.expm1(-since / tau)
        return states
    exponent = np.diff(time)
    for j in range(len(tau)):
        after = driven_states((exponent / tau[j])[:, None], course[:-1], [0.0], [0.0])
        states[1:, j] = after[:, 0]
    return states


def prony_gauge(held: HeldGauge, taus: Sequence[float]) -> PronyGauge:
    """Load and fractions of one gauge at given time constants (there may be none)."""
    runs = np.unique(held.run)
    offsets = (held.run[:, None] == runs).astype(np.float64)
    states = lags(held, taus)
    shown = np.concatenate([held.course[:, None], states], axis=1) * held.gain[:, None]
    columns = np.concatenate([shown, offsets], axis=1)
    coefficients = least_squares(columns, held.signal)
    modelled = columns @ coefficients
    residual = held.signal - modelled
    n, size = columns.shape
    inflation = correlation_factor(residual)
    variance = float(residual @ residual) / max(n - size, 1) * inflation
    covariance = np.linalg.pinv(columns.T @ columns) * variance
    load, terms = float(coefficients[0]), len(taus)
    fractions = coefficients[1 : 1 + terms] / load
    # d(c_i) = (d(a_i) - c_i·dL)/L
    turned = np.concatenate([-fractions[:, None], np.eye(terms)], axis=1) / load
    scale = 1.0 + float(np.mean(coefficients[1 + terms :]))
    return PronyGauge(
        held=held,
        load=load / scale,
        fractions=fractions,
        lags=states,
        covariance=turned @ covariance[: 1 + terms, : 1 + terms] @ turned.T,
        fitted=modelled / scale,
        measured=held.signal / scale,
        inflation=inflation,
        freedom=max(1.0, n / inflation - size - terms),
    )


def shared_taus(gauges: Sequence[HeldGauge], terms: int) -> tuple[float, ...] | None:
    """
    The best `terms` time constants [s] of all gauges together, increasing.

    None: no such number of terms with all fractions above 0 and τ apart from each other.
    """
    low, high = resolved_span(gauges)
    grid = np.geomspace(low, high, _TAUS_TRIED)
    start = _best_of_grid(gauges, grid, terms)
    if start is None:
        return None
    from scipy.optimize import least_squares as minimised

    cores = [_core(held) for held in gauges]

    def residual(x: Floats) -> Floats:
        parts = [
            _left(core, lags(held, np.exp(x)) * held.gain[:, None])
            for held, core in zip(gauges, cores, strict=True)
        ]
        return np.concatenate(parts)

    bounds = (np.log(low) - 1e-9, np.log(high) + 1e-9)
    best = minimised(residual, np.log(start), bounds=bounds, xtol=1e-6, ftol=1e-8, diff_step=1e-4)
    taus = tuple(float(t) for t in np.sort(np.exp(best.x)))
    fractions = np.mean([prony_gauge(held, taus).fractions for held in gauges], axis=0)
    is_apart = all(b > _APART * a for a, b in pairwise(taus))
    return taus if is_apart and bool(np.all(fractions > 0.0)) else None


def resolved_span(gauges: Sequence[HeldGauge]) -> tuple[float, float]:
    """Shortest and longest τ [s] that every gauge's rows can tell."""
    shortest, longest = 0.0, float("inf")
    for held in gauges:
        loaded = np.flatnonzero(held.course != 0.0)
        steps = np.diff(held.time[loaded])
        shortest = max(shortest, 2.0 * float(np.min(steps[steps > 0.0])))
        longest = min(longest, float(np.ptp(held.time[loaded])))
    return shortest, max(longest, 2.0 * shortest)


Core = tuple[Floats, Floats]


def _core(held: HeldGauge) -> Core:
    """Orthonormal basis of offsets and load, and the signal without them, over the load."""
    offsets = (held.run[:, None] == np.unique(held.run)).astype(np.float64)
    plain = np.concatenate([(held.course * held.gain)[:, None], offsets], axis=1)
    basis = np.linalg.qr(plain)[0]
    load = abs(float(least_squares(plain, held.signal)[0])) or 1.0
    return basis, (held.signal - basis @ (basis.T @ held.signal)) / load


def _left(core: Core, columns: Floats) -> Floats:
    basis, target = core
    free = columns - basis @ (basis.T @ columns)
    return np.asarray(target - free @ least_squares(free, target))


def _best_of_grid(gauges: Sequence[HeldGauge], grid: Floats, terms: int) -> Floats | None:
    """All choices of `terms` from the grid, by their normal equations; fractions above 0 only."""
    normal = []
    for held in gauges:
        basis, target = _core(held)
        columns = lags(held, grid) * held.gain[:, None]
        free = columns - basis @ (basis.T @ columns)
        sign = 1.0 if _load_sign(held) > 0.0 else -1.0
        normal.append((free.T @ free, sign * (free.T @ target), float(target @ target)))
    best, least = None, float("inf")
    for picked in combinations(range(len(grid)), terms):
        index = list(picked)
        left, shares = 0.0, []
        for gram, toward, whole in normal:
            share = np.linalg.lstsq(gram[np.ix_(index, index)], toward[index], rcond=None)[0]
            left += whole - float(share @ toward[index])
            shares.append(share)
        if np.any(np.mean(shares, axis=0) <= 0.0):
            continue
        if left < least:
            best, least = grid[index], left
    return best


def _load_sign(held: HeldGauge) -> float:
    loaded = held.course != 0.0
    return float(np.median(held.signal[loaded]) - np.median(held.signal[~loaded]))
