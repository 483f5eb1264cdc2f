"""
Air, dew and steel against published vapour pressures and the analytic lag.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate.scenario import Climate, Place, read_scenario
from pipeline.simulate.weather import (
    ANCHOR_US,
    HeatWave,
    place_temperatures,
    saturation_pressure,
    surface_humidity,
    weather,
)

DAY_US = 86_400_000_000
STEP_US = 300_000_000


@pytest.fixture(name="climate")
def _climate() -> Climate:
    return read_scenario().climate


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(0.0, 611.2), (10.0, 1228.0), (20.0, 2339.0), (30.0, 4246.0)]
)
def test_saturation_pressure_meets_steam_tables(celsius: float, pascal: float) -> None:
    """Values of steam tables (IAPWS: 611.2, 1228, 2339, 4246 Pa) to 0.1 %."""
    assert saturation_pressure(celsius) == pytest.approx(pascal, rel=1e-3)


@pytest.mark.parametrize(("surface_c", "percent"), [(10.0, 95.0), (35.0, 21.0)])
def test_humidity_at_a_surface_follows_its_temperature(surface_c: float, percent: float) -> None:
    """Air of 20 °C and 50 % is 95 % at a surface of 10 °C and 21 % at one of 35 °C."""
    at_surface = surface_humidity(np.array([20.0]), np.array([0.5]), np.array([surface_c]))

    assert at_surface[0] * 100 == pytest.approx(percent, abs=0.5)


def test_a_surface_below_the_dew_point_is_saturated() -> None:
    """Water stands on the film; the air at it cannot be more than saturated."""
    assert surface_humidity(np.array([20.0]), np.array([0.9]), np.array([10.0]))[0] == 1.0


def test_steel_lags_the_air_as_the_analytic_solution_says(climate: Climate) -> None:
    """Without weather and sun, steel swings by 1/√(1 + (ωτ)²) of the air's daily wave."""
    calm = replace(climate, annual_c=0.0, weather_c=0.0, dew_weather_c=0.0, second_c=0.0)
    time = ANCHOR_US + np.arange(0, 12 * 288) * STEP_US
    sky = weather(calm, 1, time)
    steel = place_temperatures(sky, [Place("g", 7200.0, 0.0, 0.0)], 300.0)[-288:, 0]
    share = 1 / np.sqrt(1 + (2 * np.pi * 7200 / 86_400) ** 2)

    assert np.ptp(steel) / np.ptp(sky.air_c[-288:]) == pytest.approx(share, abs=2e-4)


def test_sun_warms_by_day_and_the_sky_cools_by_night(climate: Climate) -> None:
    """A sunny place is warmer than the air at noon and colder before dawn."""
    time = ANCHOR_US + np.arange(180 * 288, 182 * 288) * STEP_US
    sky = weather(climate, 3, time)
    steel = place_temperatures(sky, [Place("thin", 60.0, 6.0, 2.0)], 300.0)[:, 0]
    noon, night = np.argmax(sky.sun[288:]) + 288, 288 + 36

    assert steel[noon] > sky.air_c[noon] + 2
    assert steel[night] < sky.air_c[night] - 0.5


def test_the_year_is_warmest_in_july_and_the_day_after_noon(climate: Climate) -> None:
    """Monthly means peak in July; the mean day peaks near the stated hour."""
    time = ANCHOR_US + np.arange(0, 365 * 24) * 12 * STEP_US
    air = weather(climate, 2, time).air_c
    months = np.array([m.mean() for m in np.array_split(air, 12)])
    hours = air.reshape(365, 24).mean(axis=0)

    assert np.argmax(months) == 6
    assert abs(np.argmax(hours) - climate.warmest_hour_utc) < 1


def test_weather_of_an_instant_does_not_depend_on_the_span(climate: Climate) -> None:
    """The same instant has the same air and dew in a short and in a long span."""
    long = ANCHOR_US + np.arange(0, 3000) * STEP_US
    short = long[1000:1100]

    assert (
        weather(climate, 5, short).air_c.tolist()
        == weather(climate, 5, long).air_c[1000:1100].tolist()
    )


def test_humidity_stays_possible_in_a_heat_wave(climate: Climate) -> None:
    """Air warms by what was asked; humidity stays between 0 and 1."""
    time = ANCHOR_US + np.arange(200 * 288, 206 * 288) * STEP_US
    wave = HeatWave(int(time[288]), int(time[-288]), 9.0, 8.0)
    hot, plain = weather(climate, 6, time, [wave]), weather(climate, 6, time)
    middle = slice(2 * 288, 4 * 288)

    assert (hot.air_c - plain.air_c)[middle].mean() == pytest.approx(9.0, abs=0.3)
    assert (hot.humidity > 0).all()
    assert (hot.humidity < 1).all()
    assert hot.air_c[:100].tolist() == plain.air_c[:100].tolist()


def test_a_time_before_the_anchor_is_refused(climate: Climate) -> None:
    """The weather has a beginning and says so."""
    with pytest.raises(ValueError, match="begins on 2025-01-01"):
        weather(climate, 1, np.array([ANCHOR_US - 1]))
