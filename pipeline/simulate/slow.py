"""
The slow states of a structure on a grid of minutes: air, steel, film moisture, creep.

The grid begins weeks before the span, so that no state remembers how it was begun.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.simulate.gauge import moisture_lag
from pipeline.simulate.lag import follow, follow_ramps
from pipeline.simulate.scenario import Gauge, Point, Scenario, Structure
from pipeline.simulate.vehicles import Vehicle, load_strain
from pipeline.simulate.weather import (
    ANCHOR_US,
    HeatWave,
    place_temperatures,
    surface_humidity,
    weather,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
STEP_US = 300_000_000
SETTLE_US = 20 * 86_400_000_000
"""Forty time constants of the slowest film."""
AIR = "air"
LOAD_KNOT_US = 2_000_000


class SlowStates:
    """
    Answers temperature, humidity, moisture and creep at any time of the span.

    Everyday traffic is left out of creep: it is on the deck for seconds, and its share of a
    film's creep is below 0.01 µm/m.
    """

    def __init__(
        self,
        scenario: Scenario,
        structure: Structure,
        start_us: int,
        end_us: int,
        seed: int,
        standing: Sequence[Vehicle],
        waves: Sequence[HeatWave],
    ) -> None:
        first = max(start_us - SETTLE_US, ANCHOR_US) // STEP_US
        self._time_us = np.arange(first, end_us // STEP_US + 2) * STEP_US
        self._scenario, self._structure = scenario, structure
        self._standing = standing
        sky = weather(scenario.climate, seed, self._time_us, waves)
        step_s = STEP_US * 1e-6
        surfaces = place_temperatures(sky, structure.place, step_s)
        self._grid = {AIR: sky.air_c}
        self._grid.update({p.id: surfaces[:, i] for i, p in enumerate(structure.place)})
        self._humidity = sky.humidity
        self._moisture = self._films(step_s)
        self._creep = self._thermal_creep(step_s)

    def temperature(self, place: str, time_us: Ints) -> Floats:
        """Of a place, or of the air, [°C], shape (n,)."""
        return self._at(self._grid[place], time_us)

    def humidity(self, time_us: Ints) -> Floats:
        """Of the air, 0..1, shape (n,)."""
        return self._at(self._humidity, time_us)

    def has_film(self, gauge: Gauge) -> bool:
        """Whether the gauge is printed on a film that takes up moisture."""
        return bool(self._scenario.batches[gauge.batch].moisture)

    def moisture(self, gauge: Gauge, time_us: Ints) -> Floats:
        """w of the gauge's film, 0..1, shape (n,); 0.5 for foil, where it has no effect."""
        if gauge.serial not in self._moisture:
            return np.full(len(time_us), 0.5)
        return self._at(self._moisture[gauge.serial], time_us)

    def thermal_strain(self, point: Point, time_us: Ints) -> Floats:
        """Mechanical strain of expansion that is held back, m/m, shape (n,)."""
        own = point.expansion_1e6_per_k
        expansion = self._structure.expansion_1e6_per_k if own is None else own
        warmer = self.temperature(point.place, time_us) - self._structure.zero_temperature_c
        return -point.restrained * expansion * 1e-6 * warmer

    def creep(self, gauge: Gauge, time_us: Ints) -> Floats:
        """
        Strain that creep adds to what the film feels, m/m, shape (n,).

        Σ fᵢ·zᵢ with zᵢ' = (ε - zᵢ)/τᵢ: on the grid for the thermal part, in closed form for
        vehicles that stand.
        """
        batch = self._scenario.batches[gauge.batch]
        if not batch.creep_fraction:
            return np.zeros(len(time_us))
        added = self._at(self._creep[gauge.serial], time_us)
        point = self._structure.point_named(gauge.point)
        for vehicle in self._standing:
            knots = np.unique(
                np.append(
                    np.arange(vehicle.time_us[0], vehicle.time_us[-1], LOAD_KNOT_US),
                    vehicle.time_us,
                )
            )
            strain = load_strain(self._structure, point, [vehicle], knots)
            strain[[0, -1]] = 0.0
            origin = vehicle.time_us[0]
            since = np.asarray((time_us - origin) * 1e-6, np.float64)
            knots_s = np.asarray((knots - origin) * 1e-6, np.float64)
            for share, tau in zip(batch.creep_fraction, batch.creep_s, strict=True):
                added += gauge.creep * share * follow_ramps(since, knots_s, strain, tau)
        return added

    def _at(self, column: Floats, time_us: Ints) -> Floats:
        origin = self._time_us[0]
        return np.asarray(
            np.interp((time_us - origin) * 1e-6, (self._time_us - origin) * 1e-6, column)
        )

    def _films(self, step_s: float) -> dict[str, Floats]:
        printed = [g for g in self._structure.gauge if self.has_film(g)]
        if not printed:
            return {}
        target, lag = [], []
        for gauge in printed:
            surface = self._grid[self._structure.point_named(gauge.point).place]
            target.append(surface_humidity(self._grid[AIR], self._humidity, surface))
            lag.append(moisture_lag(self._scenario.batches[gauge.batch], gauge, surface))
        driven = np.stack(target, axis=1)
        states = follow(step_s, driven, np.stack(lag, axis=1), driven[0])
        return {gauge.serial: states[:, i] for i, gauge in enumerate(printed)}

    def _thermal_creep(self, step_s: float) -> dict[str, Floats]:
        added = {}
        for gauge in self._structure.gauge:
            batch = self._scenario.batches[gauge.batch]
            if not batch.creep_fraction:
                continue
            point = self._structure.point_named(gauge.point)
            strain = self.thermal_strain(point, self._time_us)
            driven = np.repeat(strain[:, None], len(batch.creep_s), axis=1)
            states = follow(step_s, driven, np.array(batch.creep_s), driven[0])
            added[gauge.serial] = gauge.creep * (states @ np.array(batch.creep_fraction))
        return added
