"""
Eight scenarios of climate, batch, creep and loading in which the truth has to be recovered.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.simulate.weather import HeatWave

HOUR_S = 3600.0
HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Case:
    """What a gauge goes through from its zero to its reading."""

    name: str
    batch: str
    start: str
    """Day on which the gauge is bonded, ISO 8601."""
    load: tuple[tuple[float, float], ...]
    """Hours after the zero, and the mechanical strain that holds from then on [µm/m]."""
    read_h: float
    """Hours after the zero at which the one reading is taken."""
    climate: Mapping[str, float] = field(default_factory=dict)
    """What differs from the climate of the scenario file."""
    wave_c: float = 0.0
    """Warmer air from the zero on [K]; 0: no wave."""
    wave_dew_c: float = 0.0
    zero_h: float = 120.0
    """From bonding to the zero: ten time constants of the slowest film at 20 °C."""

    def wave(self, zero_us: int) -> tuple[HeatWave, ...]:
        """The wave: it has come in full a day after the zero, and does not go."""
        if not self.wave_c:
            return ()
        start, end = zero_us + 14 * HOUR_US, zero_us + 30 * 24 * HOUR_US
        return (HeatWave(start, end, self.wave_c, self.wave_dew_c),)


_STEADY = {"diurnal_c": 0.0, "second_c": 0.0, "weather_c": 0.0, "dew_weather_c": 0.0}
_STEADY |= {"annual_c": 0.0, "mean_c": 18.0, "dew_below_c": 9.0}

CASES = (
    Case("mild and steady, static load", "PC-31", "2026-05-10", ((2.0, 350.0),), 12.0, _STEADY),
    Case(
        "daily temperature cycle",
        "PC-31",
        "2026-06-05",
        ((2.0, 120.0),),
        35.0,
        {"diurnal_c": 9.0, "dew_below_c": 8.0},
    ),
    Case(
        "heat wave, moist",
        "PC-31",
        "2026-07-08",
        ((30.0, 250.0),),
        62.0,
        wave_c=11.0,
        wave_dew_c=10.0,
    ),
    Case(
        "winter, cold and dry",
        "PC-32",
        "2026-01-12",
        ((3.0, -200.0), (30.0, 150.0)),
        58.0,
        {"dew_below_c": 9.0, "diurnal_c": 3.0},
        wave_c=-9.0,
        wave_dew_c=-14.0,
        zero_h=240.0,
    ),
    Case(
        "humidity jumps",
        "PC-32",
        "2026-05-20",
        ((2.0, 150.0),),
        28.0,
        {"dew_below_c": 12.0, "diurnal_c": 2.0},
        wave_c=0.5,
        wave_dew_c=12.0,
    ),
    Case("loaded for three days", "PC-32", "2026-05-10", ((1.0, 700.0),), 72.0),
    Case(
        "near both ends of the range",
        "PC-31",
        "2026-09-10",
        ((2.0, 850.0), (5.0, -850.0)),
        6.0,
    ),
    Case(
        "foil, hot deck",
        "FO-14",
        "2026-06-20",
        ((2.0, 300.0),),
        50.0,
        {"diurnal_c": 8.0},
        wave_c=8.0,
        zero_h=24.0,
    ),
)
