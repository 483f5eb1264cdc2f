"""
Rows of holds and rests made ready: climate and ageing taken off, the course of the load known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_design import gauge_curve, lagged
from pipeline.bench.chamber_table import ChamberRuns
from pipeline.bench.hold_ageing import RestedGauge
from pipeline.bench.hold_prony import HeldGauge
from pipeline.errors import ConfigError, Mistake
from pipeline.physics.creep import ageing_progress
from pipeline.physics.environment import polynomial, surface_humidity, time_constant
from pipeline.site.models import Ageing, Curve, Moisture, Temperature

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STEADY_K, STEADY = 1.0, 0.05
"""Without tables of the climate a hold must have been this steady (K; humidity 0..1)."""
FEWEST_ROWS = 20


@dataclass(frozen=True)
class Surroundings:
    """What is known of the climate's part, and the curve."""

    reference_c: float
    reference_humidity: float
    temperature: Temperature | None
    moisture: Moisture | None
    curve: Curve | None

    def climate(self, table: ChamberRuns, rows: Ints) -> tuple[Floats, Floats]:
        """A(T) + H(w) in δ and the film's w - w_ref, each of shape (n,)."""
        warm, damp = table.temperature[rows] - self.reference_c, self._damp(table, rows)
        delta = np.zeros(len(rows))
        if self.temperature is not None:
            delta += polynomial(self.temperature.output, warm)
        if self.moisture is not None:
            delta += polynomial(self.moisture.output, damp)
        return delta, damp

    def _damp(self, table: ChamberRuns, rows: Ints) -> Floats:
        drive, temperature = table.humidity[rows], table.temperature[rows]
        if table.air_temperature is not None:
            drive = surface_humidity(drive, table.air_temperature[rows], temperature)
        drive = drive - self.reference_humidity
        if self.moisture is None:
            return drive
        sheet, damp = self.moisture, np.empty(len(rows))
        tau = time_constant(
            sheet.time_constant_s, sheet.activation_k, temperature, self.reference_c
        )
        for run in np.unique(table.run[rows]):
            inside = np.flatnonzero(table.run[rows] == run)
            lag = 0.5 * (tau[inside][1:] + tau[inside][:-1])
            exponent = np.diff(table.time[rows][inside]) / lag
            # The film is taken to begin in balance with the mean of its first time constant.
            first = table.time[rows][inside] <= table.time[rows][inside][0] + tau[inside][0]
            damp[inside] = lagged(exponent, drive[inside], float(np.mean(drive[inside][first])))
        return damp


def held_gauges(
    table: ChamberRuns, surroundings: Surroundings, ageing: Ageing | None
) -> tuple[HeldGauge, ...]:
    """The holds of all gauges, in the order of the table."""
    curve, found = gauge_curve(surroundings.curve), []
    sheet = surroundings.temperature
    factor_per_k = 0.0 if sheet is None else sheet.factor_per_k
    for serial in table.serials:
        rows = np.flatnonzero(table.serial == serial)
        strain, time = table.strain[rows], table.time[rows]
        load = strain if curve is None else curve.delta(strain)
        largest = load[int(np.argmax(np.abs(load)))]
        climate, _ = surroundings.climate(table, rows)
        if ageing is not None:
            climate = climate + ageing.per_year * ageing_progress(time - time.min(), ageing.kind)
        warm = table.temperature[rows] - float(np.mean(table.temperature[rows]))
        found.append(
            HeldGauge(
                serial=serial,
                rows=rows,
                time=time,
                run=_runs(table, rows),
                course=np.asarray(load / largest),
                gain=1.0 + factor_per_k * warm,
                signal=_relative(table, rows, load == 0.0) - climate,
            )
        )
    return tuple(found)


def rested_gauges(table: ChamberRuns, surroundings: Surroundings) -> tuple[RestedGauge, ...]:
    """The rests of all gauges, in the order of the table."""
    found = []
    for serial in table.serials:
        rows = np.flatnonzero(table.serial == serial)
        climate, damp = surroundings.climate(table, rows)
        found.append(
            RestedGauge(
                serial=serial,
                time=table.time[rows],
                run=_runs(table, rows),
                temperature=table.temperature[rows],
                moisture=damp,
                signal=_relative(table, rows, table.strain[rows] == 0.0) - climate,
            )
        )
    return tuple(found)


def _relative(table: ChamberRuns, rows: Ints, free: npt.NDArray[np.bool_]) -> Floats:
    """R over R0, less 1; R0 is that of the unloaded rows."""
    return np.asarray(table.relative[rows] / np.median(table.relative[rows][free]) - 1.0)


def _runs(table: ChamberRuns, rows: Ints) -> Ints:
    return np.unique(table.run[rows], return_inverse=True)[1].astype(np.int64)


def refuse_hold(
    table: ChamberRuns, surroundings: Surroundings, *, is_loaded: bool, for_batch: bool
) -> None:
    """
    Refuse a hold or rest that cannot tell what it is asked.

    Raises:
        ConfigError: every mistake, with file, row and remedy.
    """
    mistakes = list(_climate_mistakes(table, surroundings))
    if is_loaded:
        mistakes += _load_mistakes(table, surroundings)
    elif np.any(table.strain != 0.0):
        row = int(np.flatnonzero(table.strain)[0])
        found = f"a strain of {table.strain[row] * 1e6:g} µm/m at rest"
        remedy = "Ageing is that of a gauge never loaded: put loaded rows into hold.csv."
        mistakes.append(table.mistake(row, found, "0", remedy))
    if for_batch and len(table.serials) < 2:
        remedy = "Hold two more gauges of the batch, or calibrate this one by its serial."
        found = "one gauge, which says nothing of the spread of its batch"
        mistakes.append(table.mistake(None, found, "at least two, better three", remedy))
    batches = sorted(set(table.batch.tolist()))
    if len(batches) > 1:
        remedy = "Calibrate each batch from a folder of its own."
        mistakes.append(table.mistake(None, "batches " + ", ".join(batches), "one batch", remedy))
    if mistakes:
        raise ConfigError(tuple(mistakes))


def _climate_mistakes(table: ChamberRuns, surroundings: Surroundings) -> Iterator[Mistake]:
    remedy = "Add chamber.csv, which tells the climate's part, or hold in a steady climate."
    moved = float(np.ptp(table.temperature))
    if surroundings.temperature is None and moved > STEADY_K:
        found = f"temperatures within {moved:.2g} K and no chamber run"
        yield table.mistake(None, found, f"at most {STEADY_K:g} K", remedy)
    moved = float(np.ptp(table.humidity))
    if surroundings.temperature is None and moved > STEADY:
        found = f"humidities within {100 * moved:.2g} %RH and no chamber run"
        yield table.mistake(None, found, f"at most {100 * STEADY:g} %RH", remedy)


def _load_mistakes(table: ChamberRuns, surroundings: Surroundings) -> Iterator[Mistake]:
    for serial in table.serials:
        rows = np.flatnonzero(table.serial == serial)
        loaded = table.strain[rows] != 0.0
        first = int(rows[0])
        if not loaded.any():
            remedy = "Put gauges that were never loaded into rest.csv."
            yield table.mistake(first, "no load", "a hold under load", remedy)
            continue
        if int(np.sum(loaded)) < FEWEST_ROWS:
            remedy = "Read more often: creep is fastest at first."
            found = f"{int(np.sum(loaded))} rows under load"
            yield table.mistake(first, found, f"at least {FEWEST_ROWS}", remedy)
        starts = np.flatnonzero(np.diff(_runs(table, rows), prepend=-1))
        for start in starts[loaded[starts]].tolist():
            remedy = "Begin each run with a few rows before the load is put on."
            found = "a run that begins under load"
            yield table.mistake(int(rows[start]), found, "unloaded rows first", remedy)
        levels = np.unique(table.strain[rows][loaded])
        if len(levels) > 1 and surroundings.curve is None:
            shown = ", ".join(f"{level * 1e6:g}" for level in levels[:4].tolist())
            remedy = "Hold one strain, or put runs.csv into the folder for the curve."
            found = f"several strains ({shown} µm/m) and no curve"
            yield table.mistake(first, found, "one strain", remedy)
