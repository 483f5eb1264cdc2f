"""
A gauge's film: each term by hand, and the curve beyond its range.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate.gauge import (
    YEAR_S,
    ageing,
    curve,
    drawn_gauge,
    gauge_delta,
    moisture_lag,
    moisture_output,
    thermal_output,
)
from pipeline.simulate.scenario import Batch, Gauge, Scenario, read_scenario


@pytest.fixture(name="scenario", scope="module")
def _scenario() -> Scenario:
    return read_scenario()


@pytest.fixture(name="printed")
def _printed(scenario: Scenario) -> Batch:
    return scenario.batches["PC-31"]


@pytest.fixture(name="foil")
def _foil(scenario: Scenario) -> Batch:
    return scenario.batches["FO-14"]


def plain(batch: Batch) -> Gauge:
    """A gauge that is its batch's mean."""
    return Gauge("g", batch.id, "p", "c", "resistance_4wire", 1e5, 0)


def test_curve_inside_its_range_is_the_polynomial(printed: Batch) -> None:
    """By hand at 1000 µm/m: 20.4e-3 - 950e-6 - 2.6e5·1e-9 = 0.01919."""
    assert curve(printed, 1.0, 1e-3) == pytest.approx(0.0204 - 0.00095 - 0.00026)


def test_curve_is_monotone_and_smooth_far_beyond_saturation(printed: Batch) -> None:
    """From -6000 to 6000 µm/m δ only rises, and its slope has no jump."""
    strain = np.linspace(-6e-3, 6e-3, 24_001)
    slope = np.diff(curve(printed, 1.0, strain)) / np.diff(strain)

    assert (slope > 0).all()
    assert np.abs(np.diff(slope)).max() < 0.02


def test_slope_dies_away_beyond_saturation(printed: Batch) -> None:
    """One levelling length beyond, the slope is 1/e of that at the end (exponential law)."""
    end, over = printed.levels_off_above, printed.levels_off_over
    h = 1e-7
    at = (curve(printed, 1.0, end) - curve(printed, 1.0, end - h)) / h
    later = (curve(printed, 1.0, end + over + h) - curve(printed, 1.0, end + over)) / h

    assert later / at == pytest.approx(np.exp(-1), rel=1e-3)


def test_terms_of_a_printed_gauge_add_up_by_hand(printed: Batch) -> None:
    """500 µm/m, 35 °C, w = 0.7, half a year old: the sum worked out by hand."""
    strain = 5e-4
    load = (20.4 * strain - 950 * strain**2 - 2.6e5 * strain**3) * (1 + 6e-4 * 15)
    thermal = 4.1e-4 * 15 + 1.1e-6 * 225
    moist = 6.0e-3 * 0.2 + 1.5e-3 * 0.04
    old = 1.6e-4 * 0.5
    gauge = replace(plain(printed), offset=2e-4)
    found = gauge_delta(
        printed,
        gauge,
        np.array([strain]),
        np.array([35.0]),
        np.array([0.7]),
        np.array([YEAR_S / 2]),
        12.0,
    )

    assert found[0] == pytest.approx(load + thermal + moist + old + 2e-4, rel=1e-12)


def test_foil_on_its_stated_material_reads_its_sheet(foil: Batch) -> None:
    """On α = 11 the thermal output at 40 °C is the sheet's polynomial at a factor of 2."""
    sheet = -0.92 * 20 - 0.0212 * 400 + 1.15e-4 * 8000
    found = thermal_output(foil, plain(foil), 11.0, np.array([40.0]))

    assert found[0] == pytest.approx(2.0 * sheet * 1e-6)


def test_foil_on_another_material_is_stretched_by_the_difference(foil: Batch) -> None:
    """On α = 12 another 1 µm/m per kelvin comes on top, at the gauge's own factor."""
    apart = thermal_output(foil, plain(foil), 12.0, np.array([40.0])) - thermal_output(
        foil, plain(foil), 11.0, np.array([40.0])
    )

    assert apart[0] == pytest.approx(2.08 * 20e-6)


def test_logarithmic_ageing_follows_its_law(scenario: Scenario) -> None:
    """Rate · ln(1 + years), nothing before the gauge was placed."""
    batch = scenario.batches["PC-32"]
    found = ageing(batch, plain(batch), np.array([-5.0, YEAR_S * (np.e - 1)]))

    assert found == pytest.approx([0.0, -1.2e-4])


def test_warm_films_follow_faster(scenario: Scenario) -> None:
    """τ at 20 °C is the batch's; at 40 °C by Arrhenius with B = 1800 K: exp(-0.392) of it."""
    batch = scenario.batches["PC-32"]
    lag = moisture_lag(batch, plain(batch), np.array([20.0, 40.0]))

    assert lag[0] == pytest.approx(32_400.0)
    assert lag[1] / lag[0] == pytest.approx(np.exp(1800 * (1 / 313.15 - 1 / 293.15)))


def test_foil_feels_no_moisture(foil: Batch) -> None:
    """H is 0 whatever w is."""
    assert moisture_output(foil, plain(foil), np.array([0.0, 1.0])).tolist() == [0.0, 0.0]


def test_drawn_gauges_spread_as_their_batch_says(printed: Batch) -> None:
    """400 gauges: mean 1 and the stated deviation of the factor (5 σ of the estimates)."""
    factors = np.array([drawn_gauge(printed, plain(printed), seed).factor for seed in range(400)])

    assert factors.mean() == pytest.approx(1.0, abs=5 * 0.03 / 20)
    assert factors.std() == pytest.approx(0.03, rel=5 / np.sqrt(800))
