"""
The chain's job done by hand for tests: readings to strain with a site's calibrations, no creep.

Written from the formulas of the trade, without the chain; NaN where a gauge says nothing.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from pipeline.site.models import Calibration, Placement, Structure

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
YEAR_S = 365.25 * 86_400


def calibration_of(structure: Structure, placement: Placement) -> Calibration:
    """The calibration that a placement names."""
    return next(c for c in structure.calibrations if c.id == placement.calibration)


def estimated_curve(calibration: Calibration, strain: float) -> tuple[float, float]:
    """δ by the calibration's polynomial with its standard uncertainty, gauge spread included."""
    assert calibration.curve is not None
    powers = np.array([strain ** (i + 1) for i in range(len(calibration.curve.coefficients))])
    value = float(powers @ np.array(calibration.curve.coefficients))
    spread = calibration.curve.between_gauges * abs(value)
    variance = powers @ np.array(calibration.curve.covariance) @ powers
    return value, math.sqrt(variance + spread**2)


def environment(
    calibration: Calibration, T: Floats, w: Floats, years: Floats, alpha: float
) -> Floats:
    """A + H + ageing as the calibration says, shape (n,)."""
    assert calibration.temperature is not None
    assert calibration.curve is not None
    warmer, total = T - 20, np.zeros_like(T)
    temperature = calibration.temperature
    total += _powers(temperature.output, warmer)
    if temperature.output_um_m:
        sheet = _powers(temperature.output_um_m, warmer)
        total += (temperature.output_factor or 0) * 1e-6 * sheet
        apart = alpha - (temperature.output_expansion_1e6_per_k or 0)
        total += calibration.curve.coefficients[0] * 1e-6 * apart * warmer
    if calibration.moisture is not None:
        total += _powers(calibration.moisture.output, w - 0.5)
    if calibration.ageing is not None:
        course = np.log1p(years) if calibration.ageing.kind == "logarithmic" else years
        total += calibration.ageing.per_year * course
    return total


def undone(placement: Placement, reading: Floats) -> Floats:
    """The gauge's resistance, to a constant factor, with leads and leakage taken off."""
    if placement.wiring == "quarter_3wire":
        assert placement.nominal_ohm is not None
        lead = placement.lead_ohm
        return (0.5 + reading) / (0.5 - reading) * (placement.nominal_ohm + lead) - lead
    ohms = reading - (2 * placement.lead_ohm if placement.wiring == "resistance_2wire" else 0.0)
    leak = placement.leakage_ohm
    return ohms if leak is None else ohms * leak / (leak - ohms)


def delta_of(
    calibration: Calibration, placement: Placement, reading: Floats, alpha: float
) -> Floats:
    """δ against the unstrained value, reduced to reference climate."""
    assert placement.unstrained is not None
    base = environment(
        calibration,
        np.array([placement.unstrained_temperature_c or 20.0]),
        np.array([(placement.unstrained_humidity_rh or 50.0) / 100]),
        np.zeros(1),
        alpha,
    )
    reference = undone(placement, np.array([placement.unstrained])) / (1 + base)
    return undone(placement, reading) / reference - 1


def moisture_by_hand(
    calibration: Calibration, time_us: Ints, air: Floats, rh: Floats, T: Floats, first: float
) -> Floats:
    """w by small explicit steps from `first`, p_s by Magnus (WMO), shape (n,)."""
    if calibration.moisture is None:
        return np.full(len(time_us), 0.5)
    vapour, here = (np.exp(17.62 * t / (243.12 + t)) for t in (air, T))
    surface = np.minimum(rh / 100 * vapour / here, 1.0)
    w = np.empty_like(T)
    w[0] = first
    for i in range(1, len(w)):
        warmth = 1 / (273.15 + T[i]) - 1 / 293.15
        tau = calibration.moisture.time_constant_s
        tau *= math.exp(calibration.moisture.activation_k * warmth)
        step = (time_us[i] - time_us[i - 1]) * 1e-6
        w[i] = w[i - 1] + (surface[i - 1] - w[i - 1]) * step / tau
    return w


def strain_of(
    structure: Structure,
    placement: Placement,
    columns: dict[str, tuple[Ints, Floats]],
    first_moisture: float,
) -> tuple[Ints, Floats, Floats]:
    """
    Times, indicated and mechanical strain [µm/m] of one gauge from the channels' readings.

    Climate is interpolated; the curve is inverted by a dense table. The film begins at
    `first_moisture`, which a station that starts cold cannot know.
    """
    calibration = calibration_of(structure, placement)
    point = next(p for p in structure.points if p.id == placement.point)
    alpha = point.expansion_1e6_per_k or structure.expansion_1e6_per_k
    time_us, reading = columns[placement.channel]
    T, air, rh = (
        np.full(len(time_us), 20.0) if name is None else np.interp(time_us, *columns[name])
        for name in (
            placement.temperature_channel,
            placement.air_temperature_channel,
            placement.humidity_channel,
        )
    )
    w = moisture_by_hand(calibration, time_us, air, rh, T, first_moisture)
    start = placement.valid_from.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    years = np.asarray((time_us * 1e-6 - start.total_seconds()) / YEAR_S, np.float64)
    delta = delta_of(calibration, placement, reading, alpha)
    zero = next(z.offset_delta for z in structure.zeros if z.serial == placement.serial)
    taken = environment(calibration, T, w, years, alpha)
    left = np.asarray(delta - taken - zero, np.float64)
    assert calibration.temperature is not None
    left = left / (1 + calibration.temperature.factor_per_k * (T - 20))
    return time_us, _inverse(calibration, delta), _inverse(calibration, left)


def _inverse(calibration: Calibration, delta: Floats) -> Floats:
    assert calibration.curve is not None
    strain = np.linspace(-1.3e-3, 1.5e-3, 28_001)
    table = _powers(calibration.curve.coefficients, strain)
    return np.asarray(np.interp(delta, table, strain) * 1e6)


def _powers(coefficients: tuple[float, ...], x: Floats) -> Floats:
    total = np.zeros_like(x)
    for i, c in enumerate(coefficients):
        total = total + c * x ** (i + 1)
    return total
