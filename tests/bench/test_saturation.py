"""
Saturation where the physics puts it, and none where a curve only bows.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.saturation import saturation_strains
from pipeline.bench.shapes import Shape
from tests.bench.calibrated import LEVELLING, outcome

KNOTS = np.linspace(0.0, 1e-3, 5)


def quadratic(c1: float, c2: float, spread: float = 0.0) -> list[np.ndarray]:
    """Three gauges by three runs of one quadratic, its bend scattered from run to run."""
    random = np.random.default_rng(3)
    return [
        np.column_stack((np.full(3, c1), c2 * (1.0 + spread * random.standard_normal(3))))
        for _ in range(3)
    ]


def test_a_parabola_saturates_where_its_tangent_says() -> None:
    """F′ = 20 - 8000·ε falls to 80 % of 20 at ε = 4/8000 = 500 µm/m."""
    shape = Shape("quadratic", 0.0, 1e-3, KNOTS)

    (tension,) = saturation_strains(shape, quadratic(20.0, -4000.0), 0.8)

    assert tension.strain_um_m == pytest.approx(500.0, abs=0.01)
    assert tension.low_um_m == pytest.approx(500.0, abs=0.01)
    assert tension.high_um_m == pytest.approx(500.0, abs=0.01)


def test_a_slight_bow_is_not_saturation() -> None:
    """F′ falls from 20 to 17: 85 % is above 80 %, whatever the curvature."""
    shape = Shape("quadratic", 0.0, 1e-3, KNOTS)

    (tension,) = saturation_strains(shape, quadratic(20.0, -1500.0), 0.8)

    assert not tension.is_reached
    assert np.isinf(tension.low_um_m)


def test_each_side_is_told_by_itself() -> None:
    """F = 20ε - 4000ε²: the largest tangent is at -400 µm/m, 23.2; 80 % of it at 180 µm/m."""
    shape = Shape("quadratic", -4e-4, 1e-3, np.linspace(-4e-4, 1e-3, 8))

    tension, compression = saturation_strains(shape, quadratic(20.0, -4000.0), 0.8)

    assert tension.strain_um_m == pytest.approx((20.0 - 0.8 * 23.2) / 8000.0 * 1e6, abs=0.01)
    assert not compression.is_reached
    assert compression.strain_um_m == -np.inf


def test_a_side_that_the_bench_never_reached_is_not_told() -> None:
    """Nothing is said of compression where nothing was pressed."""
    shape = Shape("quadratic", 0.0, 1e-3, KNOTS)

    assert [s.side for s in saturation_strains(shape, quadratic(20.0, -4000.0), 0.8)] == ["tension"]


def test_the_interval_grows_with_the_scatter_of_the_runs() -> None:
    """Runs whose bend scatters by 5 % leave an interval about the truth, and the same each time."""
    shape = Shape("quadratic", 0.0, 1e-3, KNOTS)
    runs = quadratic(20.0, -4000.0, 0.05)

    (one,) = saturation_strains(shape, runs, 0.8)
    (again,) = saturation_strains(shape, runs, 0.8)

    assert one == again
    assert 5.0 < one.high_um_m - one.low_um_m < 80.0
    assert one.low_um_m < one.strain_um_m < one.high_um_m


@pytest.mark.slow
def test_a_levelling_gauge_saturates_where_tanh_says() -> None:
    """sech²(ε/λ) = 0.8 at ε = λ·arcosh(1/√0.8) = 577.5 µm/m, from steps 175 µm/m apart: ±7 %."""
    true = LEVELLING * np.arccosh(1.0 / np.sqrt(0.8)) * 1e6

    (tension,) = outcome("levelling").figures.saturations

    assert tension.strain_um_m == pytest.approx(true, rel=0.07)
    assert tension.low_um_m <= tension.strain_um_m <= tension.high_um_m
