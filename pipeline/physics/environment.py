"""
Climate at a gauge: humidity at its film's surface, the film's moisture, thermal polynomials.

Eq. 1  p_s(T) = 611.2 Pa · exp(17.62·T/(243.12 + T)), T in °C, over water, -45 to 60 °C:
       WMO-No. 8, Guide to Instruments and Methods of Observation, vol. I, annex 4.B. It is used
       below 0 °C too, because humidity is reported against water there.
Eq. 2  φ = RH·p_s(T_air)/p_s(T_surface)
Eq. 3  w⁺ = φ + (w - φ)·exp(-Δt/τ), exact for an input that is held over the step
Eq. 4  τ = τ_ref·exp(B·(1/T - 1/T_ref)), T in kelvin
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.physics.recurrence import driven_states

Floats = npt.NDArray[np.float64]

KELVIN = 273.15
_A, _B = 17.62, 243.12


def saturation_pressure(temperature: npt.ArrayLike) -> Floats:
    """Saturation vapour pressure over water [Pa] at a temperature [°C] (eq. 1); NaN stays."""
    t = np.asarray(temperature, np.float64)
    return np.asarray(611.2 * np.exp(_A * t / (_B + t)))


def saturation_slope(temperature: npt.ArrayLike) -> Floats:
    """Relative slope d ln p_s/dT [1/K] of eq. 1 at a temperature [°C]."""
    t = np.asarray(temperature, np.float64)
    return np.asarray(_A * _B / (_B + t) ** 2)


def surface_humidity(humidity: npt.ArrayLike, air: npt.ArrayLike, surface: npt.ArrayLike) -> Floats:
    """
    Relative humidity 0..1 at a surface that is not as warm as the air (eq. 2).

    Args:
        humidity: of the air, 0..1.
        air, surface: temperatures [°C].

    Returns:
        φ; above 1 water condenses. NaN where any of the three is.
    """
    ratio = saturation_pressure(air) / saturation_pressure(surface)
    return np.asarray(np.asarray(humidity, np.float64) * ratio)


def polynomial(coefficients: Sequence[float], x: npt.ArrayLike) -> Floats:
    """Σ c_i·xⁱ with i from 1 (zero at x = 0), by Horner; NaN stays."""
    value = np.asarray(x, np.float64)
    result = np.zeros_like(value)
    for c in reversed(coefficients):
        result = (result + c) * value
    return result


def polynomial_slope(coefficients: Sequence[float], x: npt.ArrayLike) -> Floats:
    """Derivative of `polynomial`: Σ i·c_i·xⁱ⁻¹."""
    value = np.asarray(x, np.float64)
    result = np.zeros_like(value)
    for i in range(len(coefficients), 0, -1):
        result = result * value + i * coefficients[i - 1]
    return result


def time_constant(reference: float, activation: float, temperature: Floats, at: float) -> Floats:
    """
    τ [s] of a film at a temperature (eq. 4).

    Args:
        reference: τ_ref [s] at `at` [°C].
        activation: B [K]; 0: the same at any temperature.
        temperature: [°C], shape (n,); NaN counts as `at`.
    """
    warm = np.where(np.isnan(temperature), at, temperature)
    return np.asarray(
        reference * np.exp(activation * (1.0 / (warm + KELVIN) - 1.0 / (at + KELVIN)))
    )


def first_order_lag(
    step: npt.ArrayLike, held: npt.ArrayLike, tau: npt.ArrayLike, start: float
) -> Floats:
    """
    Output of a first-order lag after each step (eq. 3).

    Args:
        step: Δt [s] of each step, at least 0, shape (n,); steps may differ.
        held: input held over the step that ends at i, shape (n,), finite.
        tau: time constant [s] above 0, one number or one for each step.
        start: output before the first step.

    Returns:
        Output at the end of each step, shape (n,). Cutting anywhere gives the same to rounding.

    Raises:
        ValueError: tau not above 0, or a step below 0.
    """
    steps = np.asarray(step, np.float64)
    constant = np.asarray(tau, np.float64)
    if not np.all(constant > 0.0):
        raise ValueError("a time constant must be above 0 s")
    if not np.all(steps >= 0.0):
        raise ValueError("time must not run backwards between two steps of a lag")
    return driven_states((steps / constant)[:, None], held, [0.0], [start])[:, 0]
