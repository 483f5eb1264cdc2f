"""
One structure over a span of time: what its nodes send, and the truth beside it.

Slow states (temperatures, moisture, creep under temperature) are solved once on a grid that begins
well before the span; readings are then made for any piece of it, the same however it is cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.simulate.electrics import converted, measured
from pipeline.simulate.events import Happening, heat_waves, vehicles
from pipeline.simulate.faults import Fault, faulty_values, is_silent, stamps
from pipeline.simulate.gauge import gauge_delta
from pipeline.simulate.noise import normal
from pipeline.simulate.scenario import Channel, Gauge, Point, Scenario, Sensor, Structure
from pipeline.simulate.slow import SlowStates
from pipeline.simulate.truth import Truth, joined
from pipeline.simulate.vehicles import Vehicle, load_strain, traffic

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
CROSSING_US = 60_000_000
"""No everyday vehicle is longer on a structure."""


@dataclass(frozen=True)
class NodeReadings:
    """Columns of what one node sends, in the order in which it measures; each shape (n,)."""

    node: str
    time_us: Ints
    """As the node stamps them."""
    true_us: Ints
    channel: Ints
    """Codes into `channels`."""
    value: Floats
    channels: tuple[Channel, ...]

    def __len__(self) -> int:
        return len(self.time_us)


@dataclass(frozen=True)
class Simulated:
    """What every node sent over a span, and the truth at each reading's time."""

    nodes: dict[str, NodeReadings]
    truth: Truth


class Simulator:
    """
    Readings and truth of one structure between two times.

    Args:
        scenario: the site; `structure` is the id of one of its structures.
        start_us: span in µs since 1970 UTC; `end_us` is exclusive.
        seed: the same seed gives the same readings.
        events: overloads, load tests, heat waves, vehicles with a path of their own.
        faults: what goes wrong.
        interval_s: distance of readings for all channels; None: each channel's own.

    Raises:
        ValueError: no such structure, an empty span, or a fault of an unknown target.
    """

    def __init__(
        self,
        scenario: Scenario,
        structure: str,
        start_us: int,
        end_us: int,
        seed: int = 1,
        events: Sequence[Happening] = (),
        faults: Sequence[Fault] = (),
        interval_s: float | None = None,
    ) -> None:
        if structure not in scenario.structures:
            known = ", ".join(sorted(scenario.structures))
            raise ValueError(f'no structure "{structure}" in the scenario; there is {known}')
        if end_us <= start_us:
            raise ValueError("the simulated span is empty: its end must be after its start")
        self.scenario = scenario
        self.structure = _with_interval(scenario.structures[structure], interval_s)
        self.start_us, self.end_us, self.seed = start_us, end_us, seed
        self.faults = tuple(faults)
        _check_targets(self.structure, self.faults)
        self._standing = vehicles(self.structure, events)
        waves = heat_waves(events)
        self._slow = SlowStates(
            scenario, self.structure, start_us, end_us, seed, self._standing, waves
        )

    def readings(self, first_us: int, last_us: int) -> dict[str, NodeReadings]:
        """What each node measures in [first, last), within the span; truth untouched by faults."""
        self._check_span(first_us, last_us)
        passing = self._vehicles(first_us, last_us)
        nodes = dict.fromkeys(channel.node for channel in self.structure.channel)
        return {node: self._node(node, first_us, last_us, passing) for node in nodes}

    def truth(self, time_us: Ints) -> Truth:
        """True state of every point at sorted times within the span."""
        self._check_span(int(time_us[0]), int(time_us[-1]) + 1)
        passing = self._vehicles(int(time_us[0]), int(time_us[-1]) + 1)
        parts = []
        for point in self.structure.point:
            mechanical = self._strain(point, time_us, passing)
            temperature = self._slow.temperature(point.place, time_us)
            warmer = temperature - self.structure.zero_temperature_c
            moisture = self._point_moisture(point, time_us)
            free = self._expansion(point) * 1e-6 * warmer
            parts.append(
                Truth.of_strain(point.id, time_us, mechanical, free, temperature, moisture)
            )
        for sensor in self.structure.sensor:
            value = self._quantity(sensor, time_us, passing)
            temperature = self._slow.temperature(sensor.place, time_us)
            parts.append(Truth.of_sensor(sensor.point, time_us, value, temperature))
        return joined(parts)

    def _check_span(self, first_us: int, last_us: int) -> None:
        if first_us < self.start_us or last_us > self.end_us or last_us < first_us:
            raise ValueError("the piece asked for is not within the simulated span")

    def _vehicles(self, first_us: int, last_us: int) -> tuple[Vehicle, ...]:
        everyday = traffic(self.structure, self.seed, first_us - CROSSING_US, last_us)
        return (*self._standing, *everyday)

    def _expansion(self, point: Point) -> float:
        own = point.expansion_1e6_per_k
        return self.structure.expansion_1e6_per_k if own is None else own

    def _strain(self, point: Point, time_us: Ints, passing: Sequence[Vehicle]) -> Floats:
        held_back = self._slow.thermal_strain(point, time_us)
        return held_back + load_strain(self.structure, point, passing, time_us)

    def _point_moisture(self, point: Point, time_us: Ints) -> Floats:
        moisture = np.full(len(time_us), np.nan)
        for gauge in self.structure.gauge:
            if gauge.point == point.id and self._slow.has_film(gauge):
                there = (time_us >= gauge.start_us) & (time_us < gauge.end_us)
                moisture[there] = self._slow.moisture(gauge, time_us[there])
        return moisture

    def _quantity(self, sensor: Sensor, time_us: Ints, passing: Sequence[Vehicle]) -> Floats:
        if sensor.quantity == "humidity":
            return 100 * self._slow.humidity(time_us)
        temperature = self._slow.temperature(sensor.place, time_us)
        if sensor.quantity == "temperature":
            return temperature
        value = sensor.per_k * (temperature - self.structure.zero_temperature_c)
        if sensor.follows is not None:
            point = self.structure.point_named(sensor.follows)
            load = load_strain(self.structure, point, passing, time_us)
            value = value + sensor.per_um_m * 1e6 * load
        return value

    def _gauge_signal(self, gauge: Gauge, time_us: Ints, passing: Sequence[Vehicle]) -> Floats:
        point = self.structure.point_named(gauge.point)
        strain = self._strain(point, time_us, passing) + self._slow.creep(gauge, time_us)
        age_s = np.asarray((time_us - gauge.start_us) * 1e-6, np.float64)
        delta = gauge_delta(
            self.scenario.batches[gauge.batch],
            gauge,
            strain,
            self._slow.temperature(point.place, time_us),
            self._slow.moisture(gauge, time_us),
            age_s,
            self._expansion(point),
        )
        return measured(gauge, delta)

    def _signal(self, channel: Channel, time_us: Ints, passing: Sequence[Vehicle]) -> Floats:
        """Ideal reading, NaN while nothing is connected."""
        signal = np.full(len(time_us), np.nan)
        for sensor in self.structure.sensor:
            if sensor.channel == channel.id:
                value = self._quantity(sensor, time_us, passing)
                signal = value / sensor.scale + sensor.unstrained
        for gauge in self.structure.gauge:
            there = (time_us >= gauge.start_us) & (time_us < gauge.end_us)
            if gauge.channel == channel.id and there.any():
                signal[there] = self._gauge_signal(gauge, time_us[there], passing)
        return signal

    def _clean(self, channel: Channel, time_us: Ints, passing: Sequence[Vehicle]) -> Floats:
        interval_us = round(channel.interval_s * 1e6)
        first = int(time_us[0] // interval_us) if len(time_us) else 0
        noise = normal(self.seed, f"noise/{channel.id}", first, len(time_us))
        return converted(channel, self._signal(channel, time_us, passing), noise)

    def _sent(
        self, channel: Channel, first_us: int, last_us: int, passing: Sequence[Vehicle]
    ) -> tuple[Ints, Floats]:
        """True times and values that a channel sends, faults included."""
        interval_us = round(channel.interval_s * 1e6)
        at = np.arange(-(-first_us // interval_us), -(-last_us // interval_us)) * interval_us

        def clean_at(time_us: Ints) -> Floats:
            there = self._vehicles(int(time_us[0]), int(time_us[0]) + 1)
            return self._clean(channel, time_us, there)

        clean = self._clean(channel, at, passing)
        value = faulty_values(self.faults, channel, at, clean, clean_at, self.seed)
        sent = ~is_silent(self.faults, channel, at) & ~np.isnan(value)
        return at[sent], value[sent]

    def _node(
        self, node: str, first_us: int, last_us: int, passing: Sequence[Vehicle]
    ) -> NodeReadings:
        channels = tuple(c for c in self.structure.channel if c.node == node)
        times, codes, values = [], [], []
        for number, channel in enumerate(channels):
            at, value = self._sent(channel, first_us, last_us, passing)
            times.append(at)
            codes.append(np.full(len(at), number))
            values.append(value)
        true_us = np.concatenate(times)
        code = np.concatenate(codes)
        order = np.lexsort((code, true_us))
        return NodeReadings(
            node=node,
            time_us=stamps(self.faults, node, true_us[order]),
            true_us=true_us[order],
            channel=code[order],
            value=np.concatenate(values)[order],
            channels=channels,
        )


def simulate(
    scenario: Scenario,
    structure: str,
    start_us: int,
    end_us: int,
    *,
    seed: int = 1,
    events: Sequence[Happening] = (),
    faults: Sequence[Fault] = (),
    interval_s: float | None = None,
) -> Simulated:
    """Readings of a whole span with the truth at every time of the shortest interval."""
    simulator = Simulator(scenario, structure, start_us, end_us, seed, events, faults, interval_s)
    shortest = min(round(c.interval_s * 1e6) for c in simulator.structure.channel)
    times = np.arange(-(-start_us // shortest), -(-end_us // shortest)) * shortest
    return Simulated(simulator.readings(start_us, end_us), simulator.truth(times))


def _with_interval(structure: Structure, interval_s: float | None) -> Structure:
    if interval_s is None:
        return structure
    if interval_s < 1e-6:
        raise ValueError(f"an interval of {interval_s} s; readings need at least 1 µs between them")
    channels = tuple(replace(c, interval_s=interval_s) for c in structure.channel)
    return replace(structure, channel=channels)


def _check_targets(structure: Structure, faults: Sequence[Fault]) -> None:
    channels = {c.id for c in structure.channel}
    nodes = {c.node for c in structure.channel}
    for fault in faults:
        allowed = {"clock_jump": nodes, "silence": channels | nodes}.get(fault.kind, channels)
        if fault.target not in allowed:
            raise ValueError(
                f'fault {fault.kind} of "{fault.target}": no such target on '
                f"{structure.id}; there is {', '.join(sorted(allowed))}"
            )
