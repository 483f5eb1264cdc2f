"""
A bench, a climate chamber, a hold and a rest of gauges of one batch, with known truth.

`bench_data` makes the columns in memory, `simulate_bench` writes the folder that a technician
would hand over. Gauges are drawn as `gauge.drawn_gauge` draws them, so that a field gauge of the
same batch is another draw and none of these.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.simulate.bench_course import (
    LAB,
    LAB_C,
    STEP_S,
    BenchStep,
    Course,
    bench_steps,
    chamber_courses,
    hold_course,
    load_knots,
    rest_course,
    settled,
)
from pipeline.simulate.bench_folder import (
    CHAMBER_U_K,
    CHAMBER_U_RH,
    Beam,
    bench_toml,
    csv_text,
    true_beam,
)
from pipeline.simulate.electrics import measured
from pipeline.simulate.gauge import drawn_gauge, gauge_delta, moisture_lag
from pipeline.simulate.lag import follow, follow_ramps
from pipeline.simulate.noise import generator
from pipeline.simulate.scenario import Batch, Gauge, Scenario

Floats = npt.NDArray[np.float64]
Columns = Mapping[str, npt.NDArray[np.generic]]
"""Columns of a table by their heading; text, or float64 with NaN for an empty cell."""

DAY_S = 86_400.0
REFERENCE_SERIAL = "FOIL-REF"
REFERENCE_FACTOR_U = 0.005
_METER_OHM, _METER_RATIO = 4e-6, 2e-8
"""Noise of a reading, relative to the resistance or in V/V."""


@dataclass(frozen=True, eq=False)
class BenchData:
    """Tables as columns, the sheet, and the truth behind them."""

    batch: str
    sheet: str
    """Text of bench.toml."""
    runs: Columns
    chamber: Columns
    hold: Columns
    rest: Columns
    gauges: tuple[Gauge, ...]
    """As they truly are."""
    beam: Beam
    """As it truly is."""


def bench_data(
    scenario: Scenario,
    batch: str,
    gauges: int = 3,
    runs: int = 3,
    steps: Sequence[float] | None = None,
    seed: int = 1,
    *,
    both_ways: bool = True,
    expansion_1e6_per_k: float = 12.0,
) -> BenchData:
    """
    All that a calibration of a batch is made from.

    Args:
        scenario: that has the batch.
        gauges: how many are taken from the batch.
        runs: of each gauge on the bench.
        steps: masses [kg], increasing from 0; None: 0 to 3 kg in sixths, about 1000 µm/m.
        seed: another seed is another bench: gauges, beam, sensors and noise.
        both_ways: whether the bar is loaded in compression too.
        expansion_1e6_per_k: α of bar and coupons, that of the structure.

    Raises:
        ValueError: no such batch, fewer than one gauge or run, or steps that do not rise from 0.
    """
    lot, plan = _batch(scenario, batch), _plan(steps, runs, both_ways=both_ways)
    if gauges < 1 or runs < 1:
        raise ValueError(f"a bench has at least one gauge and one run, not {gauges} and {runs}")
    beam = true_beam(generator(seed, f"bench/{batch}/beam"))
    room = _Room(scenario, lot, seed, expansion_1e6_per_k)
    taken = tuple(room.gauge(i) for i in range(gauges))
    foil = next((b for b in scenario.batches.values() if b.thermal_output_um_m), None)
    reference = None if foil is None or foil.id == batch else foil
    tables = [room.bench(gauge, lot, beam, plan) for gauge in taken]
    if reference is not None:
        tables.append(room.reference(reference, beam, plan))
    courses = chamber_courses(has_film=bool(lot.moisture))
    return BenchData(
        batch=batch,
        sheet=bench_toml(
            batch,
            full_scale_um_m=10.0 * math.floor(Beam().strain(max(s.mass_kg for s in plan[0])) * 1e5),
            reading_u=_METER_OHM if lot.moisture else 4 * _METER_RATIO,
            expansion_1e6_per_k=expansion_1e6_per_k,
            reference=None if reference is None else (REFERENCE_SERIAL, reference.curve[0]),
        ),
        runs=_joined(tables),
        chamber=_joined([room.climate(g, courses, "chamber", 3.0) for g in taken]),
        hold=_joined([room.climate(g, (hold_course(),), "hold", 12.0) for g in taken]),
        rest=_joined([room.climate(g, (rest_course(),), "rest", 15.0) for g in taken]),
        gauges=taken,
        beam=beam,
    )


def _plan(steps: Sequence[float] | None, runs: int, *, both_ways: bool) -> list[list[BenchStep]]:
    """The steps of each run; the last one has a hold of ten minutes."""
    masses = tuple(steps) if steps is not None else tuple(0.5 * i for i in range(7))
    if len(masses) < 2 or masses[0] != 0.0 or any(b <= a for a, b in pairwise(masses)):
        raise ValueError(f"the masses of a bench rise from 0, not {masses}")
    holds = [0] * (runs - 1) + [10]
    return [bench_steps(masses, both_ways=both_ways, holds=count) for count in holds]


def simulate_bench(
    scenario: Scenario,
    batch: str,
    gauges: int = 3,
    runs: int = 3,
    steps: Sequence[float] | None = None,
    seed: int = 1,
    *,
    out: Path,
) -> BenchData:
    """
    Write `bench_data` to a folder: bench.toml, runs.csv, chamber.csv, hold.csv, rest.csv.

    Returns:
        The data, with the truth that is not in the files.
    """
    made = bench_data(scenario, batch, gauges, runs, steps, seed)
    out.mkdir(parents=True, exist_ok=True)
    (out / "bench.toml").write_text(made.sheet, encoding="utf-8")
    for name in ("runs", "chamber", "hold", "rest"):
        columns = getattr(made, name)
        (out / f"{name}.csv").write_text(csv_text(columns), encoding="utf-8")
    return made


def another_gauge(scenario: Scenario, batch: str, seed: int, like: Gauge | None = None) -> Gauge:
    """A field gauge of the batch in the place of `like`; never one that was on the bench."""
    lot = _batch(scenario, batch)
    return drawn_gauge(lot, like if like is not None else _like(scenario, lot), seed)


def _batch(scenario: Scenario, batch: str) -> Batch:
    if batch not in scenario.batches:
        known = ", ".join(sorted(scenario.batches))
        raise ValueError(f'no batch "{batch}" in the scenario; there is {known}')
    return scenario.batches[batch]


def _like(scenario: Scenario, lot: Batch) -> Gauge:
    """A gauge of the batch from the scenario, as far as its electrics go."""
    for structure in scenario.structures.values():
        for gauge in structure.gauge:
            if gauge.batch == lot.id:
                return gauge
    wiring, ohm = ("resistance_4wire", 1.2e5) if lot.moisture else ("quarter_3wire", 350.0)
    return Gauge(lot.id, lot.id, "bench", "meter", wiring, ohm, 0)


@dataclass(frozen=True)
class _Room:
    """The laboratory with one seed: what its sensors are off by, and its gauges."""

    scenario: Scenario
    lot: Batch
    seed: int
    expansion: float

    def gauge(self, number: int) -> Gauge:
        """Gauge of the batch, wired with short leads to a good meter."""
        like = _like(self.scenario, self.lot)
        serial = f"{self.lot.id}-B{number + 1:02d}"
        wiring = "resistance_4wire" if like.wiring.startswith("resistance") else "quarter_3wire"
        drawn = drawn_gauge(self.lot, replace(like, serial=serial), self.seed)
        n = self._random(serial, "bond").standard_normal(2)
        return replace(
            drawn,
            serial=serial,
            point="bench",
            channel="meter",
            wiring=wiring,
            start_us=0,
            resistance_ohm=like.resistance_ohm
            * (1.0 + 0.03 * float(n[0]) * bool(self.lot.moisture)),
            offset=1e-4 * float(n[1]),
            lead_ohm=0.0,
            leakage_ohm=None,
        )

    def bench(
        self, gauge: Gauge, lot: Batch, beam: Beam, plan: Sequence[Sequence[BenchStep]]
    ) -> Columns:
        """Rows of runs.csv of one gauge; the runs an hour apart."""
        clock, strain, cells = self._loads(beam, plan)
        return self._rows(gauge, lot, strain, clock, cells, is_reference=False)

    def reference(self, lot: Batch, beam: Beam, plan: Sequence[Sequence[BenchStep]]) -> Columns:
        """Rows of the foil gauge on the same bar; its factor is as good as its sheet says."""
        clock, strain, cells = self._loads(replace(beam, standoff_m=0.0), plan)
        off = 1.0 + REFERENCE_FACTOR_U * float(self._random("foil", "factor").standard_normal())
        gauge = Gauge(
            REFERENCE_SERIAL, lot.id, "bench", "meter", "quarter_3wire", 350.0, 0, factor=off
        )
        return self._rows(gauge, lot, strain, clock, cells, is_reference=True)

    def _loads(
        self, beam: Beam, plan: Sequence[Sequence[BenchStep]]
    ) -> tuple[Floats, Floats, dict[str, npt.NDArray[np.generic]]]:
        clock, steps, labels = [], [], []
        start = 0.0
        for k, run in enumerate(plan):
            clock += [start + STEP_S * (i + 1) for i in range(len(run))]
            start = clock[-1] + 3600.0
            steps += list(run)
            labels += [str(k + 1)] * len(run)
        strain = np.array([beam.strain(one.mass_kg) for one in steps])
        cells: dict[str, npt.NDArray[np.generic]] = {
            "run": np.array(labels),
            "step": np.array([one.step for one in steps], np.float64),
            "direction": np.array([one.direction for one in steps]),
            "mass_kg": np.array([one.mass_kg for one in steps]),
        }
        return np.array(clock), strain, cells

    def _rows(
        self,
        gauge: Gauge,
        lot: Batch,
        strain: Floats,
        clock: Floats,
        cells: dict[str, npt.NDArray[np.generic]],
        *,
        is_reference: bool,
    ) -> Columns:
        random = self._random(gauge.serial, "runs")
        n = len(clock)
        warm = LAB_C + 0.1 * np.sin(clock / 4000.0 + 6.0 * random.random())
        damp = np.full(n, LAB)
        delta = self._delta(gauge, lot, strain, clock, warm, damp, 0.0)
        signal = self._read(gauge, delta, random)
        t, h = self._sensed(warm, damp, random)
        both = ("resistance_ohm", "ratio")
        shown = {name: signal.get(name, np.full(n, np.nan)) for name in both}
        return {
            "serial": np.full(n, gauge.serial),
            "batch": np.full(n, lot.id),
            **cells,
            **shown,
            "temperature_c": t,
            "humidity_rh": h,
            "time_s": clock,
            "reference": np.full(n, "yes" if is_reference else ""),
        }

    def climate(self, gauge: Gauge, courses: Sequence[Course], table: str, days: float) -> Columns:
        """Rows of chamber.csv, hold.csv or rest.csv of one gauge, which began after `days`."""
        parts = []
        for course in courses:
            random = self._random(gauge.serial, f"{table}/{course.run}")
            n, step = len(course), float(course.time[1] - course.time[0])
            warm, damp = settled(course.temperature, step), settled(course.humidity, step)
            film = self._moisture(gauge, warm, damp, step)
            delta = self._delta(gauge, self.lot, course.strain, course.time, warm, film, days)
            t, h = self._sensed(warm, damp, random)
            rows: dict[str, npt.NDArray[np.generic]] = {
                "serial": np.full(n, gauge.serial),
                "batch": np.full(n, self.lot.id),
                "run": np.full(n, course.run),
                "time_s": course.time,
                "temperature_c": t,
                "humidity_rh": h,
                "strain_um_m": np.round(course.strain * 1e6, 3),
                **self._read(gauge, delta, random),
            }
            if table == "chamber":
                rows |= {"segment": np.full(n, course.segment), "material": np.full(n, "steel")}
            parts.append(rows)
        return _joined(parts)

    def _moisture(self, gauge: Gauge, warm: Floats, damp: Floats, step_s: float) -> Floats:
        if not self.lot.moisture:
            return damp
        lag = moisture_lag(self.lot, gauge, warm)
        return follow(step_s, damp[:, None], lag[:, None], damp[:1])[:, 0]

    def _delta(
        self,
        gauge: Gauge,
        lot: Batch,
        strain: Floats,
        time: Floats,
        warm: Floats,
        film: Floats,
        days: float,
    ) -> Floats:
        felt = strain.copy()
        if np.any(strain) and lot.creep_fraction:
            knots, values = load_knots(time, strain)
            for share, tau in zip(lot.creep_fraction, lot.creep_s, strict=True):
                felt += gauge.creep * share * follow_ramps(time, knots, values, tau)
        age = time + days * DAY_S
        return gauge_delta(lot, gauge, felt, warm, film, age, self.expansion)

    def _read(
        self, gauge: Gauge, delta: Floats, random: np.random.Generator
    ) -> dict[str, npt.NDArray[np.generic]]:
        value = measured(gauge, delta)
        noise = random.standard_normal(len(value))
        if gauge.wiring == "resistance_4wire":
            return {"resistance_ohm": np.round(value * (1.0 + _METER_OHM * noise), 2)}
        return {"ratio": np.round(value + _METER_RATIO * noise, 9)}

    def _sensed(
        self, warm: Floats, damp: Floats, random: np.random.Generator
    ) -> tuple[Floats, Floats]:
        """°C and %RH as the sensors of the laboratory write them."""
        bias = self._random("room", "sensors").standard_normal(2)
        n = len(warm)
        t = warm + CHAMBER_U_K * bias[0] + 0.01 * random.standard_normal(n)
        h = 100.0 * damp + CHAMBER_U_RH * bias[1] + 0.1 * random.standard_normal(n)
        return np.round(t, 2), np.round(np.clip(h, 0.0, 100.0), 1)

    def _random(self, name: str, what: str) -> np.random.Generator:
        return generator(self.seed, f"bench/{self.lot.id}/{name}/{what}")


def _joined(parts: Sequence[Columns]) -> Columns:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
