"""
Load creep of film and glue as driven states, and ageing of an unloaded gauge.

Boltzmann superposition with a Prony series: a load L held from t = 0 shows as
L·(1 + Σ c_i·(1 - exp(-t/τ_i))). As states: shown = L + Σ c_i·z_i, where z_i lags L,
z[n] = L[n-1] + (z[n-1] - L[n-1])·exp(-Δt/τ_i), L held between readings. With the shown value
known, L[n] = shown[n] - Σ c_i·z_i[n] has no unknown on its right side, so that no iteration is
needed: the states obey the linear recurrence of `pipeline.physics.recurrence`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.physics.recurrence import driven_states

Floats = npt.NDArray[np.float64]

YEAR = 365.25 * 86400.0
"""Julian year [s]."""


def creep_states(
    step: npt.ArrayLike,
    shown: npt.ArrayLike,
    fractions: npt.ArrayLike,
    taus: npt.ArrayLike,
    load: float,
    states: npt.ArrayLike,
) -> Floats:
    """
    States z of a gauge whose shown load includes its creep.

    Args:
        step: [s] since the reading before, at least 0, shape (n,); the first one since `load`.
        shown: load as it shows, creep included, finite, shape (n,).
        fractions: c_i, shape (m,), sum of magnitudes below 1.
        taus: τ_i [s] above 0, shape (m,).
        load: load without creep before the first step.
        states: z before the first step, shape (m,).

    Returns:
        z, shape (n, m); the load without creep is shown - z @ fractions. Cutting anywhere and
        passing on the last load and z gives the same to rounding.

    Raises:
        ValueError: fractions that do not converge, tau not above 0, or a step below 0.
    """
    c, tau = np.asarray(fractions, np.float64), np.asarray(taus, np.float64)
    value, first = np.asarray(shown, np.float64), np.asarray(states, np.float64)
    steps = np.asarray(step, np.float64)
    if not np.sum(np.abs(c)) < 1.0:
        raise ValueError("creep fractions must add up to less than 1")
    if not np.all(tau > 0.0):
        raise ValueError("a time constant of creep must be above 0 s")
    if not np.all(steps >= 0.0):
        raise ValueError("time must not run backwards between two readings of a gauge")
    forcing = np.empty_like(value)
    if len(value):
        forcing[0] = load + first @ c
        forcing[1:] = value[:-1]
    return driven_states(steps[:, None] / tau, forcing, c, first)


def ageing_progress(age: npt.ArrayLike, kind: str) -> Floats:
    """
    What the drift per year is multiplied with after `age` [s]: t/year, or ln(1 + t/year).

    Args:
        age: since the gauge was placed [s]; before it (below 0) counts as 0.
        kind: `linear` or `logarithmic`.
    """
    years = np.maximum(np.asarray(age, np.float64), 0.0) / YEAR
    if kind == "linear":
        return np.asarray(years)
    if kind == "logarithmic":
        return np.log1p(years)
    raise ValueError(f'ageing is "linear" or "logarithmic", not "{kind}"')
