"""
Holds and rests written from the equations of the trade: nothing of `bench` in it.

R = R0·(1 + L·(s(t) + Σ c_i·z_i(t)) + A·(T - T_ref) + ageing(t)); for a load that is put on at a
and taken off at b, z = exp(-(t - b)/τ) - exp(-(t - a)/τ) after b (closed form).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_table import ChamberRuns

Floats = npt.NDArray[np.float64]
YEAR_S = 365.25 * 86_400.0


@dataclass(frozen=True)
class Lot:
    """Mean and relative spread of a batch."""

    creep: tuple[tuple[float, float], ...] = ((0.012, 1800.0), (0.018, 28_800.0))
    creep_sd: float = 0.1
    per_year: float = 1.6e-4
    ageing_sd: float = 0.15
    kind: str = "linear"
    noise: float = 7e-6


def step_answer(time: Floats, on: float, off: float, tau: float) -> Floats:
    """z of a unit load between two times."""
    rising = np.where(time > on, -np.expm1(-np.maximum(time - on, 0.0) / tau), 0.0)
    falling = np.where(time > off, -np.expm1(-np.maximum(time - off, 0.0) / tau), 0.0)
    return np.asarray(rising - falling)


def hold(
    lot: Lot,
    sizes: Sequence[float],
    rng: np.random.Generator,
    *,
    hours: float = 24.0,
    interval_s: float = 120.0,
    strain: float = 8e-4,
    load: float = 0.016,
) -> ChamberRuns:
    """An hour unloaded, `hours` loaded, half as long recovering; a size of creep for each gauge."""
    on, off = 3600.0, 3600.0 * (1.0 + hours)
    time = np.arange(0.0, off + 1800.0 * hours, interval_s)
    is_on = (time >= on) & (time < off)
    parts = []
    for size in sizes:
        shown = is_on.astype(np.float64)
        for fraction, tau in lot.creep:
            shown = shown + size * fraction * step_answer(time, on, off, tau)
        noise = lot.noise * rng.standard_normal(len(time))
        parts.append(1.1e5 * (1.0 + load * shown + noise))
    return table(time, np.concatenate(parts), len(sizes), np.where(is_on, strain, 0.0))


def rest(
    lot: Lot,
    rates: Sequence[float],
    rng: np.random.Generator,
    *,
    days: float = 14.0,
    interval_s: float = 1200.0,
    per_k: float = 0.0,
    wander_k: float = 0.0,
) -> ChamberRuns:
    """Unloaded gauges; the temperature wanders by `wander_k` over days."""
    time = np.arange(0.0, days * 86_400.0, interval_s)
    years = time / YEAR_S
    course = years if lot.kind == "linear" else np.log(1.0 + years)
    warm = wander_k * np.sin(2 * np.pi * time / (3.3 * 86_400.0) + rng.uniform(0, 6))
    parts = []
    for rate in rates:
        noise = lot.noise * rng.standard_normal(len(time))
        parts.append(1.1e5 * (1.0 + rate * course + per_k * warm + noise))
    nothing = np.zeros(len(time))
    return table(time, np.concatenate(parts), len(rates), nothing, 20.0 + warm)


def table(
    time: Floats,
    relative: Floats,
    gauges: int,
    strain: Floats,
    temperature: Floats | None = None,
) -> ChamberRuns:
    """Columns of all gauges, read side by side."""
    n = gauges * len(time)
    names = np.repeat([f"g{i + 1}" for i in range(gauges)], len(time))
    warm = np.full(len(time), 20.0) if temperature is None else temperature
    return ChamberRuns(
        serial=names,
        batch=np.full(n, "B"),
        time=np.tile(time, gauges),
        temperature=np.tile(warm, gauges),
        humidity=np.full(n, 0.5),
        relative=relative,
        strain=np.tile(strain, gauges),
        run=np.full(n, ""),
        segment=np.full(n, ""),
        material=np.full(n, ""),
        file="hold.csv",
    )
