"""
What a careful technician does to gauges: bench runs, chamber programme, hold and rest.

Each is a course: times, climate, strain, and what the rows say about them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Names = npt.NDArray[np.str_]

HOUR_S = 3600.0
STEP_S = 60.0
"""A bench step is read after so long, loads are changed in the last `SWITCH_S` before a row."""
SWITCH_S = 5.0
LAB_C, LAB = 20.0, 0.5
HELD_STRAIN = 6e-4
CHAMBER_ROW_S, HUMID_ROW_S, HOLD_ROW_S, REST_ROW_S = 300.0, 600.0, 120.0, 1200.0
CHAMBER_LAG_S = 400.0


@dataclass(frozen=True, eq=False)
class Course:
    """One run of one kind, n rows at even steps (a bench run: STEP_S)."""

    run: str
    segment: str
    time: Floats
    """[s] since it began."""
    temperature: Floats
    """Set [°C]."""
    humidity: Floats
    """Set, 0..1."""
    strain: Floats
    """Applied, m/m; of a bench run the load as a share of the largest."""

    def __len__(self) -> int:
        return len(self.time)


@dataclass(frozen=True)
class BenchStep:
    """One row of a bench run."""

    step: int
    direction: str
    mass_kg: float


def bench_steps(masses_kg: Sequence[float], *, both_ways: bool, holds: int) -> list[BenchStep]:
    """
    Up and down again in tension, then in compression; `holds` readings at the top first.

    Args:
        masses_kg: increasing, the first is 0.
        both_ways: whether the bar is turned and loaded the other way too.
        holds: readings of a hold at the largest load, a minute apart.
    """
    path: list[tuple[str, float]] = [("up", masses_kg[0])]
    for sign in (1.0, -1.0) if both_ways else (1.0,):
        path += [("up", sign * mass) for mass in masses_kg[1:]]
        if sign > 0.0:
            path += [("hold", masses_kg[-1])] * holds
        path += [("down", sign * mass) for mass in reversed(masses_kg[:-1])]
    return [BenchStep(i, direction, mass) for i, (direction, mass) in enumerate(path)]


def chamber_courses(*, has_film: bool) -> tuple[Course, ...]:
    """
    Temperature steps at constant humidity; humidity steps at two temperatures, for films; and
    temperature steps under a load that had a day to creep.
    """
    climb = [(2.0, t, LAB, 0.0) for t in (20.0, 0.0, -10.0, 10.0, 30.0, 45.0, 55.0, 40.0, 20.0)]
    courses = [_plateaus("1", "temperature", climb, CHAMBER_ROW_S)]
    if has_film:
        for run, t in (("2", 20.0), ("3", 40.0)):
            damp = [(6.0, t, LAB, 0.0)] + [(24.0, t, h, 0.0) for h in (0.8, 0.3, 0.5)]
            courses.append(_plateaus(run, "humidity", damp, HUMID_ROW_S))
    loaded = [(1.0, LAB_C, LAB, 0.0), (24.0, LAB_C, LAB, HELD_STRAIN)]
    loaded += [(2.0, t, LAB, HELD_STRAIN) for t in (40.0, 0.0, 20.0, 40.0, 0.0, 20.0)]
    courses.append(_plateaus("4", "temperature", loaded, CHAMBER_ROW_S))
    return tuple(courses)


def hold_course() -> Course:
    """An hour free, a day under load, half a day of recovery."""
    steps = [(1.0, LAB_C, LAB, 0.0), (24.0, LAB_C, LAB, HELD_STRAIN), (12.0, LAB_C, LAB, 0.0)]
    return _plateaus("1", "", steps, HOLD_ROW_S)


def rest_course(days: float = 14.0) -> Course:
    """Gauges left alone."""
    return _plateaus("1", "", [(24.0 * days, LAB_C, LAB, 0.0)], REST_ROW_S)


def load_knots(time: Floats, load: Floats) -> tuple[Floats, Floats]:
    """Corners of a load that is changed in the last seconds before a row, for a ramp's lag."""
    steps = np.flatnonzero(np.diff(load, prepend=0.0))
    knots = np.stack([time[steps] - SWITCH_S, time[steps]], axis=1).ravel()
    before = np.concatenate([[0.0], load])[steps]
    values = np.stack([before, load[steps]], axis=1).ravel()
    return knots, values


def settled(target: Floats, step_s: float) -> Floats:
    """The chamber behind its setting, in balance at the start."""
    decay = float(np.exp(-step_s / CHAMBER_LAG_S))
    true = np.empty_like(target)
    value = float(target[0])
    for i, wanted in enumerate(target.tolist()):
        value = wanted + (value - wanted) * decay
        true[i] = value
    return true


def _plateaus(
    run: str, segment: str, steps: Sequence[tuple[float, float, float, float]], row_s: float
) -> Course:
    counts = [round(hours * HOUR_S / row_s) for hours, *_ in steps]
    columns = [
        np.asarray(np.repeat([step[i] for step in steps], counts), np.float64) for i in (1, 2, 3)
    ]
    time = np.asarray(np.arange(sum(counts)) * row_s, np.float64)
    return Course(run, segment, time, *columns)
