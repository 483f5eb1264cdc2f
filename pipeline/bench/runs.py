"""
The rows of `runs.csv`, gathered into runs: one gauge, loaded in steps up and down again.

A row keeps its line, so that whatever is wrong with it later can be told where it stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np

from pipeline.bench.sheet import Sheet
from pipeline.blocks import Bools, Floats
from pipeline.errors import Mistake
from pipeline.physics.bridge import quarter_bridge_delta, resistance_delta
from pipeline.site.located import Located, quoted
from pipeline.site.models import Model
from pipeline.site.tables import Table, read_table
from pipeline.site.validate import validated

RUNS = "runs.csv"


class Row(Model):
    """One reading on the bench; `step` counts the steps of a run in the order of loading."""

    serial: str
    batch: str
    run: str
    step: float
    direction: Literal["up", "down", "hold"]
    """up: the load was put on, or is still zero; down: taken off; hold: nothing was touched."""
    load_n: float | None = None
    mass_kg: float | None = None
    """Either load_n or mass_kg; negative where the bar is bent the other way."""
    resistance_ohm: float | None = None
    ratio: float | None = None
    """Either the resistance, or the absolute output V/V of a quarter bridge."""
    temperature_c: float
    humidity_rh: float
    time_s: float | None = None
    reference: bool = False
    """yes: the foil gauge of [reference]."""


@dataclass(frozen=True, eq=False)
class Run:
    """One run of one gauge, rows in the order in which they were read; arrays of shape (n,)."""

    serial: str
    label: str
    is_reference: bool
    rows: tuple[Located[Row], ...]
    gravity: float

    @cached_property
    def load(self) -> Floats:
        """[N]; NaN where neither load nor mass is given, which is told as a mistake."""
        return np.array([self._load(row.item) for row in self.rows])

    @cached_property
    def reading(self) -> Floats:
        """[Ω] or [V/V]; NaN where neither is given."""
        values = (
            row.item.ratio if self.is_bridge else row.item.resistance_ohm for row in self.rows
        )
        return np.array([np.nan if value is None else value for value in values])

    @cached_property
    def is_bridge(self) -> bool:
        """Whether `reading` is a bridge's output."""
        return any(row.item.ratio is not None for row in self.rows)

    @cached_property
    def delta(self) -> Floats:
        """δ against the run's own first reading, which `check` wants at zero load."""
        zero = float(self.reading[0])
        if self.is_bridge:
            return quarter_bridge_delta(self.reading, zero)
        return resistance_delta(self.reading, zero)

    @cached_property
    def step(self) -> Floats:
        """Number of the step."""
        return np.array([row.item.step for row in self.rows])

    @cached_property
    def time(self) -> Floats:
        """[s]; NaN where not given."""
        values = (row.item.time_s for row in self.rows)
        return np.array([np.nan if value is None else value for value in values])

    @cached_property
    def temperature(self) -> Floats:
        """[°C]."""
        return np.array([row.item.temperature_c for row in self.rows])

    @cached_property
    def humidity(self) -> Floats:
        """[%RH]."""
        return np.array([row.item.humidity_rh for row in self.rows])

    def is_direction(self, direction: str) -> Bools:
        """Which rows have this direction."""
        return np.array([row.item.direction == direction for row in self.rows], bool)

    def _load(self, row: Row) -> float:
        if row.mass_kg is not None:
            return row.mass_kg * self.gravity
        return np.nan if row.load_n is None else row.load_n


@dataclass(frozen=True)
class Bench:
    """All runs of a bench, without the gauges that the sheet leaves out."""

    file: str
    sheet: Sheet
    runs: tuple[Run, ...]
    """Of the batch's gauges, by serial and run in the order of the file."""
    reference: tuple[Run, ...]
    """Of the foil gauge."""
    uses_mass: bool

    @cached_property
    def serials(self) -> tuple[str, ...]:
        """Of the batch's gauges, in the order of the file."""
        return tuple(dict.fromkeys(run.serial for run in self.runs))

    def of(self, serial: str) -> tuple[Run, ...]:
        """The runs of one gauge."""
        return tuple(run for run in self.runs if run.serial == serial)


def read_rows(folder: Path, text: str) -> tuple[list[Located[Row]], list[Mistake]]:
    """
    Valid rows of runs.csv with their lines, and every mistake of form.

    Args:
        folder: as messages shall show it.
        text: of runs.csv.
    """
    entries, mistakes, _ = read_table(text, Table(str(folder / RUNS), Row, "gauge", "serial"))
    rows, told, _ = validated(Row, entries)
    mistakes += told
    if not told:
        mistakes += [mistake for row in rows for mistake in _column_mistakes(row)]
    return rows, mistakes


def gather(folder: Path, sheet: Sheet, rows: Sequence[Located[Row]]) -> Bench:
    """Rows gathered into runs; within a run by step, then by time, then as they stand."""
    left_out = {one.item.serial for one in sheet.left_out}
    groups: dict[tuple[str, str], list[Located[Row]]] = {}
    for row in rows:
        if row.item.serial not in left_out:
            groups.setdefault((row.item.serial, row.item.run), []).append(row)
    gravity = sheet.beam.item.gravity_m_s2
    runs = [
        Run(serial, label, group[0].item.reference, tuple(sorted(group, key=_order)), gravity)
        for (serial, label), group in groups.items()
    ]
    return Bench(
        str(folder / RUNS),
        sheet,
        tuple(run for run in runs if not run.is_reference),
        tuple(run for run in runs if run.is_reference),
        any(row.item.mass_kg is not None for row in rows),
    )


def gather_mistakes(bench: Bench, rows: Sequence[Located[Row]]) -> Iterator[Mistake]:
    """Rows of another batch, reference rows that do not fit the sheet, and too few runs."""
    about, sheet = bench.sheet.calibration.item, bench.sheet
    foil = sheet.reference.item.serial if sheet.reference is not None else None
    told: set[tuple[str, str]] = set()
    for row in rows:
        one = row.item
        key = (one.serial, one.batch)
        if key in told:
            continue
        if not one.reference and one.batch != about.batch:
            told.add(key)
            remedy = "Put another batch into a folder of its own; mark a foil gauge reference=yes."
            yield row.mistake("batch", f'"{one.batch}"', f'"{about.batch}", as the sheet', remedy)
        if one.reference != (one.serial == foil):
            told.add(key)
            found = f"reference={'yes' if one.reference else 'no'}"
            remedy = "Mark the rows of the foil gauge of [reference], all of them and no other."
            expected = f"yes for {quoted([foil])} only" if foil else "no: there is no [reference]"
            yield row.mistake("reference", found, expected, remedy)
    for serial in bench.serials:
        runs = bench.of(serial)
        if len(runs) < 2:
            remedy = "Repeat the run: one alone says nothing of repeatability."
            place = f'gauge "{serial}"'
            yield Mistake(bench.file, place, f"{len(runs)} run", "at least 2 runs", remedy)
    if not bench.serials:
        remedy = "Give the runs of at least one gauge that is neither reference nor left out."
        yield Mistake(bench.file, "", "no gauge of the batch", "runs of the batch", remedy)


def _order(row: Located[Row]) -> tuple[float, float]:
    time = row.item.time_s
    return (row.item.step, 0.0 if time is None else time)


def _column_mistakes(row: Located[Row]) -> Iterator[Mistake]:
    one = row.item
    for first, second, what in (
        ("load_n", "mass_kg", "the load"),
        ("resistance_ohm", "ratio", "what the meter showed"),
    ):
        given = [key for key in (first, second) if getattr(one, key) is not None]
        if len(given) == 2:
            remedy = "Keep the one that was measured."
            yield row.mistake(second, "both", f"{first} or {second}", remedy)
        elif not given:
            remedy = f"Write {what}; a load of nothing is 0."
            yield row.mistake(first, "an empty cell", f"{first} or {second}", remedy)
    if one.direction == "hold" and one.time_s is None:
        remedy = "Write the time of each reading of a hold, in seconds from any start."
        yield row.mistake("time_s", "an empty cell", "the time of a hold's reading", remedy)
    if one.step != round(one.step) or one.step < 0:
        remedy = "Count the steps of each run in the order of loading: 0, 1, 2, …"
        yield row.mistake("step", f"{one.step:g}", "a whole number", remedy)
