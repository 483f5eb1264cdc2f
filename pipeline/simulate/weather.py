"""
Air, sun and the temperature of steel behind them.

Air: yearly and daily harmonics with AR(1) weather. Humidity follows from a dew point. A place on
the structure follows air plus sun by day and less the cold sky by night, with a first-order lag.
Hours are UTC; the years are counted from `ANCHOR_US`, where the weather's noise begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.simulate.lag import follow
from pipeline.simulate.noise import autoregressive
from pipeline.simulate.scenario import Climate, Place

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ANCHOR_US = 1_735_689_600_000_000
"""2025-01-01T00:00:00Z."""
DAY_S = 86_400.0
YEAR_DAYS = 365.25


@dataclass(frozen=True)
class HeatWave:
    """Warmer, moister and clearer air: rises and falls over half a day at its two ends."""

    start_us: int
    end_us: int
    air_c: float
    dew_c: float
    swing: float = 0.5
    """How much more the day swings under a clear sky, as a share."""


@dataclass(frozen=True)
class Weather:
    """Air and sky at some instants, each shape (n,)."""

    air_c: Floats
    dew_c: Floats
    humidity: Floats
    """0..1."""
    sun: Floats
    """0 at night to 1 at a clear noon."""
    clear: Floats
    """0..1, how much of the sky is seen."""
    is_day: npt.NDArray[np.bool_]


def saturation_pressure(celsius: npt.ArrayLike) -> Floats:
    """
    Saturation vapour pressure over water [Pa], -45 to 60 °C.

    p = 611.21·exp((18.678 - T/234.5)·T/(257.14 + T)): A. L. Buck's revised equation (1996).
    """
    T = np.asarray(celsius, dtype=np.float64)
    return 611.21 * np.exp((18.678 - T / 234.5) * T / (257.14 + T))


def surface_humidity(air_c: Floats, humidity: Floats, surface_c: Floats) -> Floats:
    """
    Relative humidity in the air that touches a surface, 0..1.

    The vapour pressure is the same, the saturation pressure the surface's; water stands on a
    surface below the dew point, and the air there is saturated: 1, not more.
    """
    vapour = humidity * saturation_pressure(air_c)
    return np.minimum(vapour / saturation_pressure(surface_c), 1.0)


def weather(
    climate: Climate, seed: int, time_us: Ints, heat_waves: Sequence[HeatWave] = ()
) -> Weather:
    """
    Air and sky at `time_us`; the same instant has the same weather in every run of a seed.

    Raises:
        ValueError: a time before 2025.
    """
    if len(time_us) and int(time_us.min()) < ANCHOR_US:
        raise ValueError("the simulated weather begins on 2025-01-01; choose a later start")
    seconds = np.asarray((time_us - ANCHOR_US) * 1e-6, np.float64)
    hour = seconds / 3600 % 24
    year = 2 * np.pi * (seconds / DAY_S - climate.warmest_day) / YEAR_DAYS
    day = 2 * np.pi * (hour - climate.warmest_hour_utc) / 24
    slow = climate.mean_c + climate.annual_c * np.cos(year)
    slow += climate.weather_c * _hourly(seed, "weather", seconds, climate.weather_h)
    swing = climate.diurnal_c * np.cos(day) + climate.second_c * np.cos(2 * day)
    air = slow + swing
    dew = slow - climate.dew_below_c
    dew += climate.dew_weather_c * _hourly(seed, "dew", seconds, climate.dew_weather_h)
    for wave in heat_waves:
        share = _swell(time_us, wave)
        air = air + (wave.air_c + wave.swing * swing) * share
        dew = dew + wave.dew_c * share
    dew = np.minimum(dew, air - 0.05)
    clear = 0.65 + 0.35 * np.tanh(_hourly(seed, "cloud", seconds, 5.0))
    for wave in heat_waves:
        clear = clear + (1 - clear) * _swell(time_us, wave)
    course = (hour - climate.sunrise_utc) / (climate.sunset_utc - climate.sunrise_utc)
    is_day = (course > 0) & (course < 1)
    sun = np.where(is_day, np.sin(np.pi * np.clip(course, 0, 1)), 0.0) * clear
    humidity = saturation_pressure(dew) / saturation_pressure(air)
    return Weather(air, dew, humidity, sun, clear, is_day)


def place_temperatures(sky: Weather, places: Sequence[Place], step_s: float) -> Floats:
    """Temperature of each place [°C], shape (n, places); starts in balance."""
    target = np.stack(
        [
            sky.air_c + place.sun_c * sky.sun - place.night_c * sky.clear * ~sky.is_day
            for place in places
        ],
        axis=1,
    )
    return follow(step_s, target, np.array([place.lag_s for place in places]), target[0])


def _hourly(seed: int, name: str, seconds: Floats, memory_h: float) -> Floats:
    """Unit noise with knots at full hours, straight between them."""
    if not len(seconds):
        return np.empty(0)
    count = int(seconds.max() // 3600) + 2
    knots = autoregressive(seed, name, count, float(np.exp(-1.0 / memory_h)))
    return np.interp(seconds / 3600, np.arange(count), knots)


def _swell(time_us: Ints, wave: HeatWave) -> Floats:
    edge = 0.5 * DAY_S
    since = (time_us - wave.start_us) * 1e-6
    until = (wave.end_us - time_us) * 1e-6
    rise = np.clip(np.minimum(since, until) / edge + 0.5, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * rise))
