"""
Forward model of a gauge, reading by reading, written from the equations of the trade.

δ = L·(1 + c_k·(T - T_ref)) + A(T) + H(w) + ageing(t) + offset, L = F(ε) + Σ c_i·z_i. Shares
nothing with the chain but the models; slow on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from pipeline.site.models import Calibration, Curve

Floats = npt.NDArray[np.float64]
YEAR_S = 365.25 * 86400.0


def curve_delta(curve: Curve, strain: Floats) -> Floats:
    """F(ε) inside the calibrated range."""
    if curve.kind == "monotone":
        knots = np.array(curve.knots_strain_um_m) * 1e-6
        return np.asarray(PchipInterpolator(knots, curve.knots_delta)(strain))
    delta = np.zeros(len(strain))
    for i, c in enumerate(curve.coefficients):
        delta = delta + c * strain ** (i + 1)
    return delta


def vapour_pressure_hpa(temperature: float) -> float:
    """WMO-No. 8, annex 4.B."""
    return 6.112 * float(np.exp(17.62 * temperature / (243.12 + temperature)))


def powers(coefficients: tuple[float, ...], x: float) -> float:
    """Σ c_i·xⁱ, i from 1."""
    return sum(c * x ** (i + 1) for i, c in enumerate(coefficients))


@dataclass(frozen=True)
class Climate:
    """Values at times [s] common to all three channels, held between them."""

    time: Floats
    surface: Floats
    air: Floats
    humidity: Floats
    """%RH"""


def film_moisture(calibration: Calibration, climate: Climate, time: Floats) -> Floats:
    """w at each time [s]; the film begins in balance at the first climate value."""
    sheet = calibration.moisture
    if sheet is None:
        return np.zeros(len(time))
    kelvin = calibration.reference_temperature_c + 273.15
    w: list[float] = []
    drive: list[float] = []
    tau: list[float] = []
    for i, (ts, ta, rh) in enumerate(
        zip(climate.surface, climate.air, climate.humidity, strict=True)
    ):
        drive.append(rh / 100.0 * vapour_pressure_hpa(ta) / vapour_pressure_hpa(ts))
        tau.append(
            sheet.time_constant_s
            * float(np.exp(sheet.activation_k * (1.0 / (ts + 273.15) - 1.0 / kelvin)))
        )
        if i == 0:
            w.append(drive[0])
            continue
        step = climate.time[i] - climate.time[i - 1]
        w.append(drive[-2] + (w[-1] - drive[-2]) * float(np.exp(-step / tau[-2])))
    result = []
    for t in time:
        k = int(np.flatnonzero(climate.time <= t)[-1])
        stays = float(np.exp(-(t - climate.time[k]) / tau[k]))
        result.append(drive[k] + (w[k] - drive[k]) * stays)
    return np.array(result)


def crept_load(calibration: Calibration, time: Floats, load: Floats) -> Floats:
    """F with its creep, the load held between readings, unloaded before the first."""
    states = [0.0] * len(calibration.creep)
    shown = []
    for n, value in enumerate(load):
        if n:
            step = time[n] - time[n - 1]
            for i, term in enumerate(calibration.creep):
                stays = float(np.exp(-step / term.time_constant_s))
                states[i] = load[n - 1] + (states[i] - load[n - 1]) * stays
        shown.append(
            value + sum(t.fraction * z for t, z in zip(calibration.creep, states, strict=True))
        )
    return np.array(shown)


def thermal_output(calibration: Calibration, temperature: float) -> float:
    """A(T) in δ."""
    sheet = calibration.temperature
    if sheet is None:
        return 0.0
    change = temperature - calibration.reference_temperature_c
    foil = (sheet.output_factor or 0.0) * 1e-6 * powers(sheet.output_um_m, change)
    return powers(sheet.output, change) + foil


def moisture_output(calibration: Calibration, moisture: float) -> float:
    """H(w) in δ."""
    if calibration.moisture is None:
        return 0.0
    return powers(calibration.moisture.output, moisture - calibration.reference_humidity_rh / 100)


def gauge_delta(
    calibration: Calibration,
    strain: Floats,
    time: Floats,
    climate: Climate,
    *,
    offset: float = 0.0,
    age: float = 0.0,
) -> Floats:
    """
    δ against R0 at the reference climate.

    Args:
        calibration: with a curve.
        strain: what the curve acts on (mechanical, or total for a bare film) [m/m].
        time: [s], of the same clock as the climate's.
        climate: with a value at or before every time.
        offset: additive offset of the zero.
        age: of the gauge at time 0 [s].
    """
    if calibration.curve is None:
        raise ValueError("a strain gauge has a curve")
    place = np.searchsorted(climate.time, time, side="right") - 1
    surface = climate.surface[place]
    w = film_moisture(calibration, climate, time)
    load = crept_load(calibration, time, curve_delta(calibration.curve, strain))
    sheet = calibration.temperature
    factor = 0.0 if sheet is None else sheet.factor_per_k
    delta = load * (1.0 + factor * (surface - calibration.reference_temperature_c))
    delta = delta + np.array([thermal_output(calibration, t) for t in surface])
    delta = delta + np.array([moisture_output(calibration, x) for x in w])
    if calibration.ageing is not None:
        years = (time + age) / YEAR_S
        grows = years if calibration.ageing.kind == "linear" else np.log(1.0 + years)
        delta = delta + calibration.ageing.per_year * grows
    return np.asarray(delta + offset)


def commissioned(calibration: Calibration, temperature: float, humidity_rh: float) -> float:
    """R_unstrained/R0 at a climate."""
    damp = moisture_output(calibration, humidity_rh / 100.0)
    return 1.0 + thermal_output(calibration, temperature) + damp
