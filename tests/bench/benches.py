"""
Bench folders for the tests: a cantilever, printed gauges of known curve, a foil gauge beside them.

Written from the physics and not from `pipeline`: the forward model that `calibrate` must find.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_table import ChamberRuns

Floats = npt.NDArray[np.float64]

G = 9.8123
WIDTH, THICKNESS, LOAD_AT, GAUGE_AT, MODULUS = 0.025, 0.005, 0.300, 0.050, 70e9
STANDOFF = 1.0e-4
# 6·m·g·(L - x)/(E·b·h²)·(1 + 2t/h), per kilogram, multiplied out by hand: 3.4987e-4 per kg.
PER_KG = 6.0 * G * 0.250 / (70e9 * 0.025 * 0.005 * 0.005) * 1.04
FOIL_PER_KG = PER_KG / 1.04
STEP_S, SETTLE_S = 30.0, 10.0
MASSES = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0)

SHEET = """\
[calibration]
id = "cal-pc40-2026"
batch = "PC-40"
author = "Ines Oakhollow"
source = "bench sheets 61 to 69 of 2026-03-11"
notes = "Bar of aluminium; runs on one day, two clampings."
recorded = 2026-03-12T09:00:00Z
valid_from = 2026-03-12T09:00:00Z
expires = 2028-03-12T09:00:00Z
reference_temperature_c = 22.0
reference_humidity_rh = 45.0

[instrument]
name = "six-digit meter no. 2, calibrated 2026-01-12"
reading_u = 2e-6

[beam]
width_m = 0.025
width_u_m = 0.00002
thickness_m = 0.005
thickness_u_m = 0.00001
load_at_m = 0.300
load_at_u_m = 0.0005
gauge_at_m = 0.050
gauge_at_u_m = 0.0005
modulus_gpa = 70.0
modulus_u_gpa = 0.7
poisson = 0.33
gravity_m_s2 = 9.8123
gravity_u_m_s2 = 0.0002
load_u_percent = 0.05

[layer]
standoff_m = 0.0001
standoff_u_m = 0.00002
transfer = 1.0
transfer_u = 0.002

[range]
full_scale_um_m = 1000.0
saturation_share = 0.8

[acceptance]
factor_low = 18.0
factor_high = 23.0
linearity_percent = 12.0
hysteresis_percent = 1.5
zero_return_percent = 1.0
repeatability_percent = 1.0

"""
FOIL_TABLE = """
[reference]
serial = "FO-7"
factor = 2.08
factor_u = 0.0052
"""
SHEET += FOIL_TABLE


@dataclass
class Gauge:
    """One printed gauge as it truly is."""

    serial: str
    ohm: float = 300e3
    factor: float = 1.0
    """Times the batch's curve."""
    curve: Callable[[Floats], Floats] = lambda e: 20.8 * e - 900.0 * e**2


@dataclass
class BenchPlan:
    """What is run on the bench, and how badly."""

    gauges: list[Gauge] = field(
        default_factory=lambda: [
            Gauge("PC-40-01", 301e3, 1.012),
            Gauge("PC-40-02", 298e3, 0.985),
            Gauge("PC-40-03", 305e3, 1.003),
        ]
    )
    runs: int = 3
    masses: tuple[float, ...] = MASSES
    noise: float = 6e-6
    hysteresis: float = 6e-5
    """δ that unloading lies above loading at half load."""
    run_spread: float = 0.002
    """Relative standard deviation of the factor from run to run."""
    hold_s: float = 600.0
    """0: no hold."""
    creep: tuple[tuple[float, float], ...] = ((0.006, 300.0),)
    """Fraction and time constant [s] of each Prony term."""
    warming_k: float = 0.0
    """Of the bar over a run, with `per_k` in δ."""
    per_k: float = 4.1e-4
    foil: bool = True
    foil_factor: float = 2.08
    both_sides: bool = False
    batch: str = "PC-40"
    bench_c: float = 22.0
    seed: int = 7


HEADER = [
    "serial",
    "batch",
    "run",
    "step",
    "direction",
    "mass_kg",
    "resistance_ohm",
    "temperature_c",
    "humidity_rh",
    "time_s",
    "reference",
]
Rows = list[dict[str, str]]


def bench_rows(plan: BenchPlan) -> Rows:
    """Every row of runs.csv as text cells by column."""
    random = np.random.default_rng(plan.seed)
    rows: Rows = []
    for gauge in plan.gauges:
        for run in range(1, plan.runs + 1):
            factor = gauge.factor * (1.0 + plan.run_spread * random.standard_normal())
            rows += _run(plan, gauge.serial, run, gauge.ohm, random, factor, gauge.curve)
    for run in range(1, plan.runs + 1) if plan.foil else ():
        rows += _run(plan, "FO-7", run, 350.0, random, plan.foil_factor, lambda e: e)
    return rows


def write_bench(
    folder: Path, plan: BenchPlan, sheet: str = SHEET, rows: Rows | None = None
) -> Path:
    """The folder of a bench on disk; `rows` instead of the plan's where a test spoils them."""
    folder.mkdir(parents=True, exist_ok=True)
    text = sheet if plan.foil else sheet.replace(FOIL_TABLE, "")
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    (folder / "runs.csv").write_text(csv_text(bench_rows(plan) if rows is None else rows), "utf-8")
    return folder


def csv_text(rows: Rows) -> str:
    """Rows as CSV under the header of the first one."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _run(
    plan: BenchPlan,
    serial: str,
    run: int,
    ohm: float,
    random: np.random.Generator,
    factor: float,
    curve: Callable[[Floats], Floats],
) -> Rows:
    is_foil = serial.startswith("FO")
    path = _path(plan)
    mass = np.array([one[0] for one in path])
    held = np.array([one[1] == "hold" for one in path])
    time = np.cumsum(np.where(held, plan.hold_s / 5, STEP_S)) - STEP_S
    load = factor * curve(mass * (FOIL_PER_KG if is_foil else PER_KG))
    delta = load.copy()
    if not is_foil:
        delta += _creep(plan, load, time)
        share = mass / max(np.max(np.abs(mass)), 1e-12)
        down = np.array([one[1] == "down" for one in path])
        delta += np.where(down, plan.hysteresis * 4.0 * share * (1.0 - share), 0.0)
    warm = plan.warming_k * time / time[-1]
    delta += (0.0 if is_foil else plan.per_k) * warm
    delta += (0.05 if is_foil else 1.0) * plan.noise * random.standard_normal(len(path))
    rows: Rows = []
    for i, (kg, direction) in enumerate(path):
        batch = "FO-14" if is_foil else plan.batch
        cells = (serial, batch, run, i, direction, kg, f"{ohm * (1.0 + delta[i]):.10g}")
        climate = (f"{plan.bench_c + warm[i]:.3f}", 45.0, time[i], "yes" if is_foil else "")
        rows.append(dict(zip(HEADER, map(str, (*cells, *climate)), strict=True)))
    return rows


def _path(plan: BenchPlan) -> list[tuple[float, str]]:
    """Mass and direction of each step: up, hold at the top, down; then the other side, if any."""
    path: list[tuple[float, str]] = []
    for side in (1.0, -1.0) if plan.both_sides else (1.0,):
        masses = [side * mass for mass in plan.masses]
        path += [(mass, "up") for mass in (masses if side > 0 else masses[1:])]
        path += [(masses[-1], "hold")] * (5 if plan.hold_s else 0)
        path += [(mass, "down") for mass in reversed(masses[:-1])]
    return path


def _creep(plan: BenchPlan, load: Floats, time: Floats) -> Floats:
    """Superposition over the load's own history, each load put on SETTLE_S before its reading."""
    changes = np.diff(load, prepend=0.0)
    total = np.zeros(len(load))
    for i in np.flatnonzero(changes).tolist():
        since = np.maximum(time[i:] - time[i] + SETTLE_S, 0.0)
        for fraction, tau in plan.creep:
            total[i:] += changes[i] * fraction * (1.0 - np.exp(-since / tau))
    return total


def write_table(folder: Path, name: str, table: ChamberRuns, batch: str = "PC-40") -> None:
    """chamber.csv, hold.csv or rest.csv from columns."""
    head = "serial,batch,time_s,temperature_c,humidity_rh,strain_um_m,resistance_ohm"
    lines = [head + ",run,segment,material"]
    for i in range(len(table)):
        numbers = (
            float(table.time[i]),
            float(table.temperature[i]),
            float(table.humidity[i]) * 100.0,
            float(table.strain[i]) * 1e6,
            float(table.relative[i]),
        )
        words = (str(table.run[i]), str(table.segment[i]), str(table.material[i]))
        cells = (str(table.serial[i]), batch, *(f"{x:.12g}" for x in numbers), *words)
        lines.append(",".join(cells))
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
