"""
Columns of runs.csv that cannot be what their names say: swapped, or in another unit.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.bench.applied import geometry
from pipeline.bench.runs import Bench, Run
from pipeline.errors import Mistake

_BENCH_C = (5.0, 40.0)
"""A bench stands in a room."""
_REACHED = (0.5, 1.5)
"""Largest strain of a run over the stated full scale."""
_GRAMS = 1000.0
_STANDARD_G = 9.80665


def check_columns(bench: Bench) -> Iterator[Mistake]:
    """At most one mistake a run for the climate, and one for load and reading."""
    for run in (*bench.runs, *bench.reference):
        yield from _climate(run)
    exchanged = [run for run in (*bench.runs, *bench.reference) if _is_exchanged(run)]
    for run in exchanged[:1]:
        load = "mass_kg" if bench.uses_mass else "load_n"
        reading = "ratio" if run.is_bridge else "resistance_ohm"
        found = f"{run.load[0]:g} without a load and a reading of {run.reading[0]:g}"
        expected = f"a {load} of 0 and a reading"
        remedy = f"The columns {load} and {reading} look swapped: name them the other way round."
        yield run.rows[0].mistake(load, found, expected, remedy)
    if not exchanged:
        yield from _reach(bench)


def _is_exchanged(run: Run) -> bool:
    zeros = run.reading == 0.0
    return bool(zeros.any() and not (run.load == 0.0).any()) and not run.is_bridge


def _climate(run: Run) -> Iterator[Mistake]:
    temperature, humidity = run.temperature, run.humidity
    low, high = _BENCH_C
    outside = np.flatnonzero((temperature < low) | (temperature > high))
    if len(outside):
        row, value = run.rows[outside[0]], temperature[outside[0]]
        swapped = low <= humidity[outside[0]] <= high
        remedy = (
            "The columns temperature_c and humidity_rh look swapped: name them the other way round."
            if swapped
            else "Write it in °C; outside a room's climate use the chamber runs."
        )
        yield row.mistake("temperature_c", f"{value:g} °C", f"{low:g} to {high:g} °C", remedy)
        return
    wrong = np.flatnonzero((humidity < 0.0) | (humidity > 100.0))
    if len(wrong):
        found = f"{humidity[wrong[0]]:g} %RH"
        remedy = "Write relative humidity in %RH."
        yield run.rows[wrong[0]].mistake("humidity_rh", found, "0 to 100 %RH", remedy)
    elif len(humidity) and np.max(humidity) <= 1.0:
        found = f"{humidity[0]:g}"
        remedy = "It looks like a fraction: 50 %RH is 50."
        yield run.rows[0].mistake("humidity_rh", found, "relative humidity in %RH", remedy)


def _reach(bench: Bench) -> Iterator[Mistake]:
    """Runs whose largest strain is far from the stated full scale: a unit, or the beam."""
    full_scale = bench.sheet.range.item.full_scale_um_m
    for serial in bench.serials:
        for run in bench.of(serial):
            strain = np.abs(geometry(bench.sheet, serial).strain(run.load)) * 1e6
            if not np.isfinite(strain).all():
                continue
            largest = float(np.max(strain))
            if _REACHED[0] * full_scale <= largest <= _REACHED[1] * full_scale:
                continue
            row = run.rows[int(np.argmax(strain))]
            column = "mass_kg" if row.item.mass_kg is not None else "load_n"
            found = f"{getattr(row.item, column):g}, which strains the layer by {largest:.4g} µm/m"
            expected = f"runs that end near full scale, {full_scale:g} µm/m"
            yield row.mistake(column, found, expected, _unit_hint(column, largest / full_scale))
            return  # the same is wrong in every run


def _unit_hint(column: str, ratio: float) -> str:
    if column == "mass_kg" and _near(ratio, _GRAMS):
        return "It looks like grams: write kilograms, 500 g is 0.5."
    if column == "load_n" and _near(ratio * _STANDARD_G, 1.0):
        return "It looks like kilograms: name the column mass_kg, or write newtons."
    if column == "mass_kg" and _near(ratio, _STANDARD_G):
        return "It looks like newtons: name the column load_n, or write kilograms."
    return (
        "Look at the units of the load and of [beam] (metres, GPa), and at full_scale_um_m, which "
        "the runs must reach by half and pass by no more than half."
    )


def _near(ratio: float, wanted: float) -> bool:
    return bool(_REACHED[0] * wanted <= ratio <= _REACHED[1] * wanted)
