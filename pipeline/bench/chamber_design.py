"""
One gauge's chamber rows as the columns of a linear model, given the lag of its film.

R/R_start = (1 + offset_run)·… is linear in: an offset and a drift for each run (a run in which
temperature only rises cannot tell it from drift otherwise), powers of T - T_ref, powers of
w - w_ref, the fading of whatever moisture the film began with, and for each applied strain its
load and its load times (T - T_ref), whose ratio is c_k. Creep of a held load, where known from
the hold, goes along with the load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_table import ChamberRuns
from pipeline.errors import ConfigError
from pipeline.physics.curve import GaugeCurve, monotone_curve, polynomial_curve
from pipeline.physics.environment import KELVIN, surface_humidity
from pipeline.physics.recurrence import driven_states
from pipeline.site.models import Creep, Curve

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
DAY = 86_400.0
_LONGEST = 300.0
"""Lengths of τ in one sum; exp of it is far from overflow."""
LOADED_SPAN_K = 5.0
"""c_k is asked of a load only where the temperature moved this much under it."""


@dataclass(frozen=True, eq=False)
class Level:
    """One applied strain in one run."""

    strain: float
    load: int | None
    """Column of its load in δ; None: never unloaded in this run, `known` is used."""
    slope: int | None
    """Column of load·(T - T_ref); None: the temperature stood still."""
    known: float


@dataclass(frozen=True, eq=False)
class Design:
    """What of one gauge does not depend on the lag; n rows."""

    serial: str
    rows: Ints
    """Rows of the table."""
    time: Floats
    warm: Floats
    """T - T_ref [K]."""
    reference_c: float
    drive: Floats
    """φ - w_ref, humidity at the surface of the film."""
    run: Ints
    """Index of the run of each row."""
    signal: Floats
    """R over its median, less 1."""
    fixed: Floats
    """Columns of offsets, drifts and loads, shape (n, k)."""
    offsets: tuple[int, ...]
    drifts: tuple[int, ...]
    loaded: tuple[float, ...]
    """δ of load inside each run's offset; 0 where the run was also unloaded."""
    levels: tuple[Level, ...]

    def powers(self, order: int) -> Floats:
        """Columns (T - T_ref)ⁱ, i = 1..order."""
        return np.stack([self.warm**i for i in range(1, order + 1)], axis=1)

    def without(self, columns: tuple[int, ...]) -> Floats:
        """The fixed columns but those."""
        return np.delete(self.fixed, columns, axis=1)


def gauge_curve(curve: Curve | None) -> GaugeCurve | None:
    """The curve of a calibration, ready for arithmetic."""
    if curve is None:
        return None
    low, high = (end * 1e-6 for end in curve.range_um_m)
    if curve.kind != "monotone":
        return polynomial_curve(curve.coefficients, low, high)
    return monotone_curve([x * 1e-6 for x in curve.knots_strain_um_m], curve.knots_delta, low, high)


def gauge_designs(
    table: ChamberRuns,
    reference_c: float,
    reference_humidity: float,
    curve: GaugeCurve | None,
    creep: Sequence[Creep],
) -> tuple[Design, ...]:
    """
    The designs of all gauges in a table, in its order.

    Raises:
        ConfigError: a run that was never unloaded while there is no curve to tell its load.
    """
    return tuple(
        _design(
            table,
            np.flatnonzero(table.serial == serial),
            (reference_c, reference_humidity),
            curve,
            creep,
        )
        for serial in table.serials
    )


def film_columns(design: Design, tau: float, activation: float, order: int) -> Floats:
    """
    Columns (w - w_ref)ⁱ, i = 1..order, then the fading start of each run; shape (n, order + runs).

    The film follows φ with the lag; between rows φ is a straight line, solved exactly.
    """
    n, runs = len(design.time), len(design.offsets)
    columns = np.zeros((n, order + runs))
    kelvin = design.warm + design.reference_c + KELVIN
    lag = tau * np.exp(activation * (1.0 / kelvin - 1.0 / (design.reference_c + KELVIN)))
    for k in range(runs):
        rows = np.flatnonzero(design.run == k)
        exponent = np.diff(design.time[rows]) / (0.5 * (lag[rows][1:] + lag[rows][:-1]))
        moisture = lagged(exponent, design.drive[rows], float(design.drive[rows[0]]))
        for i in range(order):
            columns[rows, i] = moisture ** (i + 1)
        columns[rows, order + k] = np.exp(-np.concatenate(([0.0], np.cumsum(exponent))))
    return columns


def lagged(exponent: Floats, target: Floats, start: float) -> Floats:
    """
    First-order lag behind straight pieces, shape (n,).

    Args:
        exponent: Δt/τ of each step, above 0, shape (n - 1,).
        target: input at the n instants.
        start: output at the first.
    """
    # The held input that would leave the lag where the straight piece does.
    share = 1.0 / -np.expm1(-exponent) - 1.0 / exponent
    held = target[:-1] + np.diff(target) * share
    if float(np.sum(exponent)) > _LONGEST:
        after = driven_states(exponent[:, None], held, [0.0], [start])[:, 0]
        return np.concatenate(([start], after))
    # A short series is one sum: w·exp(t/τ) gathers what each step adds, all of one sign of weight.
    faded = np.exp(-np.cumsum(exponent))
    after = faded * (start + np.cumsum(-np.expm1(-exponent) * held / faded))
    return np.concatenate(([start], after))


def _design(
    table: ChamberRuns,
    rows: Ints,
    reference: tuple[float, float],
    curve: GaugeCurve | None,
    creep: Sequence[Creep],
) -> Design:
    temperature, drive = table.temperature[rows], table.humidity[rows]
    if table.air_temperature is not None:
        drive = surface_humidity(drive, table.air_temperature[rows], temperature)
    names, run = np.unique(table.run[rows], return_inverse=True)
    count = len(names)
    inside = run[:, None] == np.arange(count)
    time = table.time[rows]
    since = time[:, None] - (inside * time[:, None]).sum(axis=0) / inside.sum(axis=0)
    columns = [*inside.T.astype(np.float64), *(np.where(inside, since, 0.0) / DAY).T]
    warm = temperature - reference[0]
    levels: list[Level] = []
    loaded = []
    for k in range(count):
        own = _levels(table, rows, warm, curve, columns, inside[:, k], creep)
        loaded.append(sum(level.known for level in own if level.load is None))
        levels += own
    return Design(
        serial=str(table.serial[rows[0]]),
        rows=rows,
        time=time,
        warm=warm,
        reference_c=reference[0],
        drive=drive - reference[1],
        run=run.astype(np.int64),
        signal=table.relative[rows] / np.median(table.relative[rows]) - 1.0,
        fixed=np.stack(columns, axis=1),
        offsets=tuple(range(count)),
        drifts=tuple(range(count, 2 * count)),
        loaded=tuple(loaded),
        levels=tuple(levels),
    )


def _levels(
    table: ChamberRuns,
    rows: Ints,
    warm: Floats,
    curve: GaugeCurve | None,
    columns: list[Floats],
    run: npt.NDArray[np.bool_],
    creep: Sequence[Creep],
) -> list[Level]:
    """The applied strains of one run; their columns are appended."""
    strain = table.strain[rows]
    applied = [one for one in np.unique(strain[run]).tolist() if one != 0.0]
    return [
        _level(table, rows, run & (strain == one), warm, curve, columns, run, creep)
        for one in applied
    ]


def _level(
    table: ChamberRuns,
    rows: Ints,
    at: npt.NDArray[np.bool_],
    warm: Floats,
    curve: GaugeCurve | None,
    columns: list[Floats],
    run: npt.NDArray[np.bool_],
    creep: Sequence[Creep],
) -> Level:
    """Appends the columns of one applied strain in one run, and says which they are."""
    strain = float(table.strain[rows][at][0])
    has_baseline = bool(np.any(table.strain[rows][run] == 0.0))
    known = 0.0 if curve is None else float(curve.delta(strain))
    if not has_baseline and curve is None:
        row = int(rows[np.flatnonzero(at)[0]])
        found = f"a run that is at {strain * 1e6:g} µm/m from its first row to its last"
        expected = "rows without load in the same run, or a curve that tells the load"
        remedy = "Add the rows before loading, or put runs.csv into the folder."
        raise ConfigError((table.mistake(row, found, expected, remedy),))
    crept = _crept(table.time[rows], at, run, creep)
    shown = at + crept
    load = slope = None
    if has_baseline:
        load = len(columns)
        columns.append(shown)
        if np.any(crept):
            columns.append(crept)  # this gauge's own share of it
    if np.ptp(warm[at]) >= LOADED_SPAN_K:
        slope = len(columns)
        columns.append(shown * warm)
    return Level(strain, load, slope, known)


def _crept(
    time: Floats,
    at: npt.NDArray[np.bool_],
    run: npt.NDArray[np.bool_],
    creep: Sequence[Creep],
) -> Floats:
    """Σ c_i·z_i of a load of 1 where `at` holds, in its run."""
    inside = np.flatnonzero(run)
    crept = np.zeros(len(time))
    for term in creep:
        exponent = np.diff(time[inside]) / term.time_constant_s
        held = at[inside][:-1].astype(np.float64)
        state = driven_states(exponent[:, None], held, [0.0], [0.0])[:, 0]
        crept[inside[1:]] += term.fraction * state
    return crept
