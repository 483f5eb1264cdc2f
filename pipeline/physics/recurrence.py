"""
States that follow a held input with first-order lags, computed without a step-by-step loop.

z[i] = d[i]·z[i-1] + (1 - d[i])·(f[i] - c·z[i-1]) with d = exp(-Δt/τ): film moisture with c = 0,
load creep with its fractions c. The steps may differ in length; each step is exact.

A long series is laid out as rows of a matrix. A first pass finds how each row as a whole maps
its start to its end (the map is affine), a short loop carries the state from row to row, and a
second pass walks all rows at once from their true starts.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_SHORT = 40


def driven_states(
    exponent: npt.ArrayLike, forcing: npt.ArrayLike, gain: npt.ArrayLike, start: npt.ArrayLike
) -> Floats:
    """
    m states after each of n steps.

    Args:
        exponent: Δt/τ of each step and state, at least 0, shape (n, m).
        forcing: f, held over the step that ends at i, shape (n,); a NaN stays in what follows.
        gain: c, what the states take back from the forcing, shape (m,), sum below 1.
        start: z before the first step, shape (m,).

    Returns:
        z, shape (n, m). Cutting the steps anywhere and passing on the last row gives the same
        states to rounding.
    """
    steps = np.asarray(exponent, np.float64)
    held = np.asarray(forcing, np.float64)
    fractions = np.asarray(gain, np.float64)
    first = np.asarray(start, np.float64)
    decay, rise = np.exp(-steps), -np.expm1(-steps)
    if len(held) <= _SHORT:
        return _one_by_one(decay, rise, held, fractions, first)
    return _by_rows(decay, rise, held, fractions, first)


def _one_by_one(decay: Floats, rise: Floats, held: Floats, gain: Floats, start: Floats) -> Floats:
    states = np.empty(decay.shape)
    m = range(len(start))
    z, fractions = start.tolist(), gain.tolist()
    rows = zip(decay.tolist(), rise.tolist(), held.tolist(), strict=True)
    for i, (d, r, f) in enumerate(rows):
        pull = f - sum(fractions[j] * z[j] for j in m)
        z = [d[j] * z[j] + r[j] * pull for j in m]
        states[i] = z
    return states


def _by_rows(decay: Floats, rise: Floats, held: Floats, gain: Floats, start: Floats) -> Floats:
    n, m = decay.shape
    width = max(8, int(np.sqrt(n)))
    rows = -(-n // width)
    # Padding with d = 1 and 1 - d = 0 is a step of no length.
    d = _columns(decay, rows, width, 1.0)
    r = _columns(rise, rows, width, 0.0)
    f = _columns(held[:, None], rows, width, 0.0)
    offset = np.zeros((rows, m))
    matrix = np.broadcast_to(np.eye(m), (rows, m, m)).copy()
    for c in range(width):
        offset = d[c] * offset + r[c] * (f[c] - (offset @ gain)[:, None])
        taken = np.einsum("j,rjk->rk", gain, matrix)
        matrix = d[c][:, :, None] * matrix - r[c][:, :, None] * taken[:, None, :]
    z = np.empty((rows, m))
    state = start
    for row in range(rows):
        z[row] = state
        state = matrix[row] @ state + offset[row]
    states = np.empty((width, rows, m))
    for c in range(width):
        z = d[c] * z + r[c] * (f[c] - (z @ gain)[:, None])
        states[c] = z
    return np.ascontiguousarray(states.transpose(1, 0, 2).reshape(rows * width, m)[:n])


def _columns(values: Floats, rows: int, width: int, padding: float) -> Floats:
    """Shape (width, rows, k): what all rows hold at one place stands together in memory."""
    n, k = values.shape
    padded = np.full((rows * width, k), padding)
    padded[:n] = values
    return np.ascontiguousarray(padded.reshape(rows, width, k).transpose(1, 0, 2))
