"""
A gauge in the field as it truly is, and what its channels write down.

Sensors are off by a constant drawn from their stated uncertainty, as a thermometer is; noise and
steps come on top. Strain is what the case prescribes: 0 (but for what the person who takes the
zero does not know) until the load comes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from ops.coverage.scenarios import HOUR_US, Case
from pipeline.blocks import Floats, Ints, Readings
from pipeline.simulate.bench import another_gauge
from pipeline.simulate.electrics import measured
from pipeline.simulate.gauge import gauge_delta, moisture_lag
from pipeline.simulate.lag import follow, follow_ramps
from pipeline.simulate.noise import generator
from pipeline.simulate.scenario import Batch, Gauge, Place, Scenario, microseconds
from pipeline.simulate.weather import place_temperatures, surface_humidity, weather
from pipeline.site.models import Calibration

EXPANSION = 12.0
INTERVAL_US = 100_000_000
ZERO_US = 2 * HOUR_US
"""Length of the window of the zero, which ends when the case's hours begin."""
KNOWN_U = 1e-6
"""How well the person knows that the member is unloaded [m/m]."""
RAMP_S = 60.0
METER, STEP_OHM = 6e-6, 1.0
"""Noise of the logger relative to the resistance, and its step [Ω]."""
BRIDGE, STEP_RATIO = 8e-8, 1e-8
_PLACE = Place("deck", 7200.0, 3.0, 1.6)


@dataclass(frozen=True, eq=False)
class Installed:
    """A gauge's stream, what was written down when it was bonded, and the truth at its reading."""

    gauge: Gauge
    readings: Readings
    start_us: int
    zero_us: int
    """Start of the window of the zero."""
    read_us: int
    truth: float
    """Mechanical strain at `read_us` [m/m]."""
    unstrained: float
    temperature_c: float
    humidity_rh: float


def installed(scenario: Scenario, case: Case, calibration: Calibration, seed: int) -> Installed:
    """
    A gauge of the case's batch that was never on the bench, from bonding to its reading.

    Args:
        calibration: whose stated uncertainties of the field's sensors are what they are off by.
        seed: of gauge, weather, sensors and noise.
    """
    lot = scenario.batches[case.batch]
    random = generator(seed, f"coverage/{case.name}")
    gauge = _bonded(scenario, lot, seed, random)
    start = microseconds(datetime.fromisoformat(case.start + "T08:00:00+00:00"))
    zero_end = start + round(case.zero_h * HOUR_US) + int(random.integers(0, 4)) * HOUR_US
    read = zero_end + round(case.read_h * HOUR_US)
    time = np.arange(start, read + INTERVAL_US, INTERVAL_US, dtype=np.int64)
    changed = replace(scenario.climate, **case.climate)
    sky = weather(changed, seed, time, case.wave(zero_end))
    step = INTERVAL_US * 1e-6
    surface = place_temperatures(sky, [_PLACE], step)[:, 0]
    at_surface = surface_humidity(sky.air_c, sky.humidity, surface)
    film = at_surface
    if lot.moisture:
        lag = moisture_lag(lot, gauge, surface)
        film = follow(step, at_surface[:, None], lag[:, None], at_surface[:1])[:, 0]
    strain, felt = _strains(case, lot, gauge, time, zero_end, random)
    age = np.asarray((time - start) * 1e-6, np.float64)
    delta = gauge_delta(lot, gauge, felt, surface, film, age, EXPANSION)
    shown = _logged(gauge, measured(gauge, delta), random)
    t, a, h = _sensed(calibration, surface, sky.air_c, 100.0 * sky.humidity, random)
    local = 100.0 * at_surface[0] + h[0] - 100.0 * sky.humidity[0]
    return Installed(
        gauge=gauge,
        readings=_readings(time, {"gauge": shown, "ts": t, "ta": a, "rh": h}),
        start_us=start,
        zero_us=zero_end - ZERO_US,
        read_us=int(time[time <= read][-1]),
        truth=float(strain[time <= read][-1]),
        unstrained=float(shown[0]),
        temperature_c=float(t[0]),
        humidity_rh=float(np.clip(local, 0.0, 100.0)),
    )


def _bonded(scenario: Scenario, lot: Batch, seed: int, random: np.random.Generator) -> Gauge:
    """Another draw of the batch, as bonding left it."""
    n = random.standard_normal(3)
    drawn = another_gauge(scenario, lot.id, seed)
    has_film = bool(lot.moisture)
    return replace(
        drawn,
        wiring="resistance_4wire" if has_film else "quarter_3wire",
        resistance_ohm=1.2e5 * (1.0 + 0.03 * float(n[0])) if has_film else 350.0,
        offset=1e-4 * float(n[1]),
        imbalance=0.0 if has_film else 2e-4 * float(n[2]),
        lead_ohm=0.0,
        leakage_ohm=None,
        start_us=0,
    )


def _strains(
    case: Case, lot: Batch, gauge: Gauge, time: Ints, zero_us: int, random: np.random.Generator
) -> tuple[Floats, Floats]:
    """Mechanical strain, and the same with the film's creep added [m/m]."""
    size = float(random.uniform(0.85, 1.0) * random.choice([-1.0, 1.0]))
    knots, values = [0.0], [0.0]
    for hours, load_um_m in case.load:
        begun = hours * 3600.0 + float(random.uniform(-100.0, 0.0))
        knots += [begun, begun + RAMP_S]
        values += [values[-1], size * load_um_m * 1e-6]
    seconds = np.asarray((time - zero_us) * 1e-6, np.float64)
    at, to = np.array(knots), np.array(values)
    known = KNOWN_U * float(random.standard_normal())
    strain = np.asarray(known + np.interp(seconds, at, to), np.float64)
    felt = strain.copy()
    for share, tau in zip(lot.creep_fraction, lot.creep_s, strict=True):
        felt += gauge.creep * share * (known + follow_ramps(seconds, at, to, tau))
    return strain, felt


def _logged(gauge: Gauge, value: Floats, random: np.random.Generator) -> Floats:
    noise = random.standard_normal(len(value))
    if gauge.wiring == "resistance_4wire":
        return np.asarray(np.round(value * (1.0 + METER * noise) / STEP_OHM) * STEP_OHM)
    return np.asarray(np.round((value + BRIDGE * noise) / STEP_RATIO) * STEP_RATIO)


def _sensed(
    calibration: Calibration,
    surface: Floats,
    air: Floats,
    humidity: Floats,
    random: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:
    """°C at the surface and in the air, and %RH, as three sensors of the site write them."""
    thermal, moisture = calibration.temperature, calibration.moisture
    u_k = 0.2 if thermal is None else thermal.sensor_u_k
    u_rh = 2.0 if moisture is None else moisture.sensor_u_rh
    n = len(surface)
    off = random.standard_normal(3)
    t = surface + u_k * off[0] + 0.02 * random.standard_normal(n)
    a = air + u_k * off[1] + 0.02 * random.standard_normal(n)
    h = humidity + u_rh * off[2] + 0.15 * random.standard_normal(n)
    return np.round(t, 2), np.round(a, 2), np.round(np.clip(h, 0.0, 100.0), 1)


def _readings(time: Ints, columns: dict[str, Floats]) -> Readings:
    n = len(time)
    names = [name for name in columns for _ in range(n)]
    times = np.tile(time, len(columns))
    return Readings.from_columns(times, names, np.concatenate(list(columns.values())), times)
