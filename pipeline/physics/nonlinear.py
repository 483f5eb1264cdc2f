"""
Nonlinear least squares by Levenberg and Marquardt, with the covariance of the parameters.

(JᵀJ + λ·diag(JᵀJ))·step = Jᵀr, solved by QR of the stacked matrix and never as normal equations;
λ falls while the sum of squares falls. Derivatives come from a complex step, which has no
difference of near-equal numbers in it: ∂f/∂b = Im f(b + ih)/h to the last digit.

Ref: D. W. Marquardt, J. SIAM 11 (1963) 431, doi:10.1137/0111030; W. Squire, G. Trapp, SIAM Rev.
40 (1998) 110, doi:10.1137/S003614459631241X; JCGM 100, H.3 for the linear case of the covariance.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from pipeline.physics.regression import LinearFit, linear_fit

Floats = npt.NDArray[np.float64]
Model = Callable[[npt.NDArray[np.generic]], npt.NDArray[np.generic]]
"""Predictions, shape (n,), from parameters, shape (p,), that may be complex; analytic in them."""

_TINY = 1e-100
_STEPS = 2000
_SETTLED = 1e-12
_LEAST, _MOST = 1e-20, 1e20


def nonlinear_fit(model: Model, start: npt.ArrayLike, response: npt.ArrayLike) -> LinearFit:
    """
    Parameters that make the sum of squared residuals least, near a start.

    Args:
        model: must take complex parameters; what is not finite counts as no improvement.
        start: shape (p,), from where the way leads down.
        response: y, finite, shape (n,), n > p.

    Returns:
        As of `linear_fit`, on the model's derivatives at the minimum.

    Raises:
        ValueError: y or the model at the start is not finite, there are too few values, no
            minimum is reached, or parameters depend on each other there.

    Ref: NIST StRD Misra1a, Chwirut2 and Hahn1 from both of their starts.
    """
    b, y = np.array(start, np.float64), np.asarray(response, np.float64)
    residual = y - np.real(model(b)).astype(np.float64)
    if len(y) <= len(b) or not np.isfinite(residual).all():
        raise ValueError("a nonlinear fit needs a finite start and more values than parameters")
    damping = 1e-3
    for _ in range(_STEPS):
        jacobian = _jacobian(model, b)
        step, damping, residual = _way_down(model, b, y, jacobian, residual, damping)
        b = b + step
        if np.all(np.abs(step) <= _SETTLED * np.abs(b)):
            return _stated(model, b, y)
    raise ValueError(f"no minimum within {_STEPS} steps; start nearer to it")


def _way_down(
    model: Model, b: Floats, y: Floats, jacobian: Floats, residual: Floats, damping: float
) -> tuple[Floats, float, Floats]:
    """The first damped step that does not lead up, the damping after it, and its residuals."""
    length = np.sqrt(np.sum(jacobian**2, axis=0))
    scaled = jacobian / np.where(length > 0.0, length, 1.0)
    before = math.fsum(residual**2)
    while damping < _MOST:
        stacked = np.vstack((scaled, math.sqrt(damping) * np.eye(len(b))))
        wanted = np.concatenate((residual, np.zeros(len(b))))
        step = np.linalg.lstsq(stacked, wanted, rcond=None)[0] / np.where(length > 0.0, length, 1.0)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            new = y - np.real(model(b + step)).astype(np.float64)
        if np.isfinite(new).all() and math.fsum(new**2) <= before:
            return step, max(damping / 10.0, _LEAST), new
        damping *= 10.0
    return np.zeros(len(b)), damping, residual  # nowhere down: this is the minimum to rounding


def _stated(model: Model, b: Floats, y: Floats) -> LinearFit:
    """One last undamped step by `linear_fit`, which brings covariance and residuals."""
    jacobian = _jacobian(model, b)
    last = linear_fit(jacobian, y - np.real(model(b)).astype(np.float64))
    return LinearFit(
        b + last.coefficients, last.covariance, last.residuals, last.residual_sd, last.freedom
    )


def _jacobian(model: Model, b: Floats) -> Floats:
    columns = []
    for i in range(len(b)):
        turned = b.astype(np.complex128)
        turned[i] += 1j * _TINY
        columns.append(np.imag(model(turned)) / _TINY)
    return np.asarray(np.column_stack(columns), np.float64)
