"""
Things that follow other things: the exact first-order lag under an input of straight pieces.

y' = (u - y)/τ. Used for steel behind air, film moisture behind humidity, creep behind strain.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def follow(step_s: float, target: Floats, tau_s: Floats | float, first: Floats) -> Floats:
    """
    State that follows `target` with the time constant τ, at the same instants.

    Over a piece with slope s: y1 = u1 - s·τ + (y0 - u0 + s·τ)·exp(-h/τ), the exact solution.

    Args:
        step_s: h, distance of the instants [s].
        target: u, shape (n, m); straight between instants.
        tau_s: [s], a number, (m,), or (n, m) where it changes (the mean of a piece's two ends
            holds on the piece).
        first: y at the first instant, shape (m,).

    Returns:
        y, shape (n, m).
    """
    tau = np.broadcast_to(np.asarray(tau_s, dtype=np.float64), target.shape)
    if np.any(tau <= 0):
        raise ValueError("time constants must be above 0 s")
    held = 0.5 * (tau[1:] + tau[:-1])
    decay = np.exp(-step_s / held)
    behind = np.diff(target, axis=0) / step_s * held
    # y1 = decay·y0 + gain, with everything known beforehand in `gain`.
    gain = target[1:] - behind - (target[:-1] - behind) * decay
    state = np.empty_like(target)
    state[0] = first
    for i in range(len(decay)):
        state[i + 1] = decay[i] * state[i] + gain[i]
    return state


def follow_ramps(time_s: Floats, knots_s: Floats, values: Floats, tau_s: float) -> Floats:
    """
    Closed form of a lag under an input given by knots, 0 before the first, held after the last.

    Superposes the answer to a unit ramp, r(t) = t - τ·(1 - exp(-t/τ)), over the slopes' changes.

    Args:
        time_s: where it is wanted [s], shape (n,).
        knots_s: increasing [s], shape (k,); the input is continuous, so `values[0]` is 0.
        values: input at the knots, shape (k,).

    Returns:
        y, shape (n,).
    """
    slopes = np.diff(values) / np.diff(knots_s)
    changes = np.diff(np.concatenate([[0.0], slopes, [0.0]]))
    answer = np.zeros(len(time_s))
    for knot, change in zip(knots_s.tolist(), changes.tolist(), strict=True):
        if change:
            since = np.maximum(time_s - knot, 0.0)
            answer += change * (since + tau_s * np.expm1(-since / tau_s))
    return answer
