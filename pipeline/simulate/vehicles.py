"""
Vehicles on a structure: where their axles are, and the strain they cause.

A vehicle is a weight on axles and a path of times and places, straight between them: a lorry in
traffic has two, a load test as many as it has stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.simulate.noise import generator
from pipeline.simulate.scenario import Point, Structure
from pipeline.simulate.span import influence

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
HOUR_US = 3_600_000_000
DRIVE_M_PER_S = 2.0
"""Walking pace of a vehicle that is going to stand."""


@dataclass(frozen=True)
class Vehicle:
    """Axle loads [N] behind each other and the path of the first axle."""

    axle_n: tuple[float, ...]
    behind_m: tuple[float, ...]
    """How far each axle is behind the first."""
    time_us: tuple[int, ...]
    front_m: tuple[float, ...]


def load_strain(
    structure: Structure, point: Point, vehicles: Sequence[Vehicle], time_us: Ints
) -> Floats:
    """
    Strain at a point under vehicles, m/m, tension positive, shape (n,).

    ε = share · Σ P·M₁(x, a) · lever / (E·I), M₁ the influence line; quasi-static.
    `time_us` must be sorted. A point without a girder reads 0.
    """
    strain = np.zeros(len(time_us))
    if point.girder is None:
        return strain
    scale = (
        structure.girders[point.girder]
        * point.lever_m
        / (structure.youngs_modulus_pa * structure.second_moment_m4)
    )
    for vehicle in vehicles:
        first, last = np.searchsorted(time_us, (vehicle.time_us[0], vehicle.time_us[-1] + 1))
        if first == last:
            continue
        # Differences are taken in integers: seconds since 1970 have no microseconds left in them.
        seconds = (time_us[first:last] - vehicle.time_us[0]) * 1e-6
        path_s = [(t - vehicle.time_us[0]) * 1e-6 for t in vehicle.time_us]
        front = np.interp(seconds, path_s, vehicle.front_m)
        for force, behind in zip(vehicle.axle_n, vehicle.behind_m, strict=True):
            strain[first:last] += (
                scale * force * influence(structure.spans_m, point.x_m, front - behind)
            )
    return strain


def traffic(structure: Structure, seed: int, start_us: int, end_us: int) -> tuple[Vehicle, ...]:
    """
    Everyday vehicles that enter between two times, the same however the time is cut.

    Arrivals are random (Poisson) with a quiet night; four of five are cars.
    """
    found = []
    for hour in range(start_us // HOUR_US, -(-end_us // HOUR_US)):
        source = generator(seed, f"traffic/{structure.id}", hour)
        by_day = (
            0.15 + 0.85 * max(0.0, np.sin(np.pi * (hour % 24 - 5) / 15)) ** 0.5
            if 5 <= hour % 24 <= 20
            else 0.15
        )
        for _ in range(int(source.poisson(structure.traffic_per_h * by_day))):
            at = hour * HOUR_US + int(source.random() * HOUR_US)
            vehicle = _everyday(structure, source, at)
            if start_us <= at < end_us:
                found.append(vehicle)
    return tuple(sorted(found, key=lambda vehicle: vehicle.time_us[0]))


def _everyday(structure: Structure, source: np.random.Generator, at_us: int) -> Vehicle:
    kind = source.random()
    if kind < 0.8:
        axle, behind = (7e3, 6e3), (0.0, 2.7)
    elif kind < 0.95:
        total = source.uniform(90e3, 180e3)
        axle, behind = (0.35 * total, 0.65 * total), (0.0, 4.8)
    else:
        total = source.uniform(220e3, 400e3)
        axle = tuple(total * share for share in (0.16, 0.27, 0.19, 0.19, 0.19))  # type: ignore[assignment]
        behind = (0.0, 3.6, 9.2, 10.5, 11.8)  # type: ignore[assignment]
    speed = source.uniform(8.0, 16.0)
    length = sum(structure.spans_m) + behind[-1]
    return Vehicle(axle, behind, (at_us, at_us + int(length / speed * 1e6)), (0.0, length))


def standing_vehicle(
    structure: Structure,
    total_n: float,
    axles: int,
    spacing_m: float,
    stops: Sequence[tuple[int, int, float]],
) -> Vehicle:
    """
    A vehicle that drives in, stands at each stop in turn, and drives off the far end.

    Args:
        total_n: weight [N], shared evenly by the axles.
        axles: how many; `spacing_m` apart.
        stops: (from µs, to µs, place of the middle of the axles [m]); it arrives exactly at
            `from` and leaves at `to`, at walking pace before the first and after the last.

    Raises:
        ValueError: no stop, or stops that are not in order of time.
    """
    behind = tuple(i * spacing_m for i in range(axles))
    middle = behind[-1] / 2
    times, fronts = [], []
    for begin, end, place in stops:
        times += [begin, end]
        fronts += [place + middle, place + middle]
    if not times or any(b <= a for a, b in pairwise(times)):
        raise ValueError("stops of a standing vehicle must follow each other in time")
    off = sum(structure.spans_m) + behind[-1]
    drive_in = int(fronts[0] / DRIVE_M_PER_S * 1e6)
    drive_off = int((off - fronts[-1]) / DRIVE_M_PER_S * 1e6)
    return Vehicle(
        axle_n=(total_n / axles,) * axles,
        behind_m=behind,
        time_us=(times[0] - drive_in, *times, times[-1] + drive_off),
        front_m=(0.0, *fronts, off),
    )
