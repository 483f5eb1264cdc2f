"""
What a gauge's film does: from strain, temperature, moisture and age to ΔR/R.

δ = F(ε + creep)·(1 + c_k·(T - 20)) + A(T) + H(w) + ageing(t) + offset, ε the mechanical strain.
A holds the expansion of a free coupon of the structure's material, as a chamber run has it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.simulate.noise import generator
from pipeline.simulate.scenario import (
    REFERENCE_C,
    REFERENCE_MOISTURE,
    Batch,
    Gauge,
)

Floats = npt.NDArray[np.float64]
YEAR_S = 365.25 * 86_400


def curve(batch: Batch, factor: float, strain: npt.ArrayLike) -> Floats:
    """
    δ of strain alone, m/m in, any shape.

    A polynomial between the two strains where the film levels off; beyond, the slope dies away
    exponentially over `levels_off_over`, so that δ stays monotone and bounded.
    """
    felt = np.asarray(strain, dtype=np.float64)
    inside = np.clip(felt, batch.levels_off_below, batch.levels_off_above)
    beyond = felt - inside
    slope = sum(c * (i + 1) * inside**i for i, c in enumerate(batch.curve))
    over = batch.levels_off_over
    tail = slope * np.sign(beyond) * over * -np.expm1(-np.abs(beyond) / over)
    return np.asarray(factor * (_power_sum(batch.curve, inside) + tail))


def thermal_output(
    batch: Batch, gauge: Gauge, expansion_1e6_per_k: float, temperature_c: Floats
) -> Floats:
    """
    A(T): δ of temperature on a free piece of material with that expansion, 0 at 20 °C.

    A foil's sheet holds for another material: the difference in expansion stretches the gauge.
    """
    warmer = temperature_c - REFERENCE_C
    if not batch.thermal_output_um_m:
        return gauge.output * _power_sum(batch.output, warmer)
    sheet = _power_sum(batch.thermal_output_um_m, warmer) + gauge.output_um_m_per_k * warmer
    apart = (expansion_1e6_per_k - batch.thermal_output_expansion) * 1e-6 * warmer
    return batch.thermal_output_factor * 1e-6 * sheet + curve(batch, gauge.factor, apart)


def moisture_output(batch: Batch, gauge: Gauge, moisture: Floats) -> Floats:
    """H(w): δ of the film's moisture, 0 at w = 0.5; 0 for foil."""
    return gauge.moisture * _power_sum(batch.moisture, moisture - REFERENCE_MOISTURE)


def moisture_lag(batch: Batch, gauge: Gauge, temperature_c: Floats) -> Floats:
    """τ(T) of the film [s] = τ20·exp(B·(1/T - 1/T20)), T in kelvin."""
    kelvin = temperature_c + 273.15
    warmth = 1 / kelvin - 1 / (REFERENCE_C + 273.15)
    return gauge.lag * batch.lag_s * np.exp(batch.lag_activation_k * warmth)


def ageing(batch: Batch, gauge: Gauge, age_s: Floats) -> Floats:
    """δ of an unloaded gauge since it was placed."""
    years = np.maximum(age_s, 0.0) / YEAR_S
    course = np.log1p(years) if batch.ageing == "logarithmic" else years
    return gauge.ageing * batch.ageing_per_year * course


def gauge_delta(
    batch: Batch,
    gauge: Gauge,
    strain: Floats,
    temperature_c: Floats,
    moisture: Floats,
    age_s: Floats,
    expansion_1e6_per_k: float,
) -> Floats:
    """
    δ = ΔR/R0 of the gauge, shape (n,).

    Args:
        strain: mechanical strain with its creep added, m/m, shape (n,).
        temperature_c: of the gauge [°C], shape (n,).
        moisture: w of the film, 0..1, shape (n,).
        age_s: since it was placed [s], shape (n,).
        expansion_1e6_per_k: of the material under it.
    """
    warmer = temperature_c - REFERENCE_C
    return (
        curve(batch, gauge.factor, strain) * (1 + batch.factor_per_k * warmer)
        + thermal_output(batch, gauge, expansion_1e6_per_k, temperature_c)
        + moisture_output(batch, gauge, moisture)
        + ageing(batch, gauge, age_s)
        + gauge.offset
    )


def drawn_gauge(batch: Batch, like: Gauge, seed: int) -> Gauge:
    """Another gauge of the batch, as the press might have made it, in the place of `like`."""
    n = generator(seed, f"gauge/{batch.id}/{like.serial}").standard_normal(6).tolist()
    spread = batch.spread
    return Gauge(
        serial=f"{like.serial}-{seed}",
        batch=batch.id,
        point=like.point,
        channel=like.channel,
        wiring=like.wiring,
        resistance_ohm=like.resistance_ohm,
        start_us=like.start_us,
        end_us=like.end_us,
        factor=1 + spread.factor * n[0],
        output=1 + spread.output * n[1],
        moisture=1 + spread.moisture * n[2],
        lag=1 + spread.lag * n[3],
        creep=1 + spread.creep * n[4],
        output_um_m_per_k=spread.output_um_m_per_k * n[5],
        imbalance=like.imbalance,
        offset=like.offset,
        lead_ohm=like.lead_ohm,
        leakage_ohm=like.leakage_ohm,
    )


def _power_sum(coefficients: tuple[float, ...], x: Floats) -> Floats:
    total = np.zeros_like(x)
    for coefficient in reversed(coefficients):
        total = (total + coefficient) * x
    return total
