"""
Humidity at a surface, thermal polynomials and the first-order lag.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.physics.environment import (
    first_order_lag,
    polynomial,
    polynomial_slope,
    saturation_pressure,
    saturation_slope,
    surface_humidity,
    time_constant,
)


# Saturation over water [hPa], CRC Handbook / Goff-Gratch tables: 6.108, 12.27, 23.37, 42.43;
# the formula of WMO-No. 8 is good to about 0.3 %.
@pytest.mark.parametrize(
    ("temperature", "hpa"), [(0.0, 6.108), (10.0, 12.27), (20.0, 23.37), (30.0, 42.43)]
)
def test_saturation_pressure_meets_the_tables(temperature: float, hpa: float) -> None:
    """Within 0.3 % of published tables, as the source of the formula states."""
    assert saturation_pressure(temperature) == pytest.approx(hpa * 100.0, rel=3e-3)


@pytest.mark.parametrize(("surface", "percent"), [(10.0, 95), (35.0, 21)])
def test_surface_humidity_meets_the_trades_worked_figures(surface: float, percent: int) -> None:
    """Air at 20 °C and 50 % is 95 % at a 10 °C surface and 21 % at a 35 °C one."""
    assert round(100 * float(surface_humidity(0.5, 20.0, surface))) == percent


def test_surface_humidity_passes_one_where_water_condenses() -> None:
    """It is not clamped: air at 20 °C and 80 % on a 5 °C surface is far above 1."""
    assert surface_humidity(0.8, 20.0, 5.0) > 2.0
    assert np.isnan(surface_humidity(0.8, np.nan, 5.0))


def test_saturation_slope_is_the_derivative_of_the_logarithm() -> None:
    """Central differences of ln p_s agree."""
    t = np.linspace(-20.0, 50.0, 29)

    rise = (np.log(saturation_pressure(t + 1e-4)) - np.log(saturation_pressure(t - 1e-4))) / 2e-4

    np.testing.assert_allclose(saturation_slope(t), rise, rtol=1e-7)


def test_polynomial_and_slope_by_hand() -> None:
    """2x - 3x² + 0.5x³ at 2 is -4 (4 - 12 + 4), its slope 2 - 12 + 6 = -4; at 0: 0 and 2."""
    c = (2.0, -3.0, 0.5)

    np.testing.assert_allclose(polynomial(c, [0.0, 2.0]), [0.0, -4.0])
    np.testing.assert_allclose(polynomial_slope(c, [0.0, 2.0]), [2.0, -4.0])
    assert polynomial((), 3.0) == 0.0
    assert np.isnan(polynomial(c, np.nan))


def test_time_constant_by_hand() -> None:
    """B = 3000 K, 20 to 40 °C: exp(3000·(1/313.15 - 1/293.15)) = 0.5202; NaN is the reference."""
    found = time_constant(1000.0, 3000.0, np.array([20.0, 40.0, np.nan]), 20.0)

    np.testing.assert_allclose(found, [1000.0, 520.16, 1000.0], rtol=1e-4)


def test_lag_of_a_step_is_the_exponential() -> None:
    """A unit step held for 3τ in unequal steps ends at 1 - exp(-3)."""
    step = np.array([1.0, 5.0, 0.25, 23.75])

    found = first_order_lag(step, np.ones(4), 10.0, 0.0)

    np.testing.assert_allclose(found, 1.0 - np.exp(-np.cumsum(step) / 10.0), rtol=1e-14)


@pytest.mark.parametrize("n", [1, 10, 41, 500, 20_000])
def test_lag_at_a_constant_step_is_scipys_filter(n: int) -> None:
    """y[i] = a·y[i-1] + (1 - a)·x[i-1] by lfilter."""
    held = np.random.default_rng(1).normal(size=n)
    decay = np.exp(-2.0 / 77.0)

    found = first_order_lag(np.full(n, 2.0), held, 77.0, 0.4)

    expected, _ = lfilter([1.0 - decay], [1.0, -decay], held, zi=[decay * 0.4])
    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-13)


@pytest.mark.parametrize("cut", [0, 1, 39, 40, 41, 777, 3000])
def test_lag_is_the_recursion_and_cut_invariant(cut: int) -> None:
    """Irregular steps and a τ for each: equal to the plain loop, in one piece or two."""
    rng = np.random.default_rng(8)
    step, held = rng.exponential(30.0, 3000), rng.uniform(size=3000)
    tau = rng.uniform(5.0, 5000.0, 3000)
    expected, y = [], 0.7
    for dt, x, t in zip(step, held, tau, strict=True):
        y = x + (y - x) * np.exp(-dt / t)
        expected.append(y)

    first = first_order_lag(step[:cut], held[:cut], tau[:cut], 0.7)
    start = first[-1] if cut else 0.7
    second = first_order_lag(step[cut:], held[cut:], tau[cut:], float(start))

    np.testing.assert_allclose(np.concatenate((first, second)), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("step", "tau", "message"), [(-1.0, 5.0, "backwards"), (1.0, 0.0, "above 0 s")]
)
def test_lag_refuses_time_that_runs_back_and_no_time_constant(
    step: float, tau: float, message: str
) -> None:
    """Both would give numbers that mean nothing."""
    with pytest.raises(ValueError) as refused:
        first_order_lag([step], [1.0], tau, 0.0)

    assert message in str(refused.value)
