"""
A climate chamber written from the equations of the trade, row by row: nothing of `bench` in it.

R = R0·(1 + L(t)·(1 + c_k·(T - T_ref)) + A(T) + H(w) + drift·t), L with its creep, w a first-order
lag behind the humidity at the film, integrated in small steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_table import ChamberRuns

Floats = npt.NDArray[np.float64]

T_REF, W_REF = 20.0, 0.5
ROW_S = 300.0
_FINE = 30
"""Steps of the integration between two rows."""


@dataclass(frozen=True)
class Lot:
    """Mean and relative spread of a batch."""

    output: tuple[float, ...] = (4.1e-4, 1.1e-6)
    moisture: tuple[float, ...] = (6.0e-3, 1.5e-3)
    tau: float = 9000.0
    activation: float = 0.0
    factor_per_k: float = 6.0e-4
    load_per_strain: float = 19.2
    creep: tuple[tuple[float, float], ...] = ()
    output_sd: float = 0.02
    moisture_sd: float = 0.05
    tau_sd: float = 0.03
    factor_sd: float = 0.08
    drift_per_h: float = 0.0
    noise: float = 7e-6


@dataclass(frozen=True)
class Film:
    """One gauge: factors on the batch's means, and c_k itself."""

    output: float
    moisture: float
    tau: float
    factor_per_k: float


def drawn(lot: Lot, rng: np.random.Generator) -> Film:
    """A gauge of the lot."""
    n = rng.standard_normal(4)
    return Film(
        output=1.0 + lot.output_sd * n[0],
        moisture=1.0 + lot.moisture_sd * n[1],
        tau=lot.tau * float(np.exp(lot.tau_sd * n[2])),
        factor_per_k=lot.factor_per_k * (1.0 + lot.factor_sd * n[3]),
    )


@dataclass(frozen=True, eq=False)
class Programme:
    """What the chamber does at each row, shape (n,)."""

    run: tuple[str, ...]
    segment: tuple[str, ...]
    time: Floats
    temperature: Floats
    humidity: Floats
    strain: Floats


def stepped(
    steps: Sequence[tuple[float, float, float, float]], run: str, segment: str
) -> Programme:
    """
    Plateaus one after the other.

    Args:
        steps: hours, °C, humidity 0..1, strain of each.
        run: name of the run.
        segment: what moves.
    """
    columns: list[list[float]] = [[], [], []]
    for hours, *values in steps:
        rows = round(hours * 3600.0 / ROW_S)
        for column, value in zip(columns, values, strict=True):
            column.extend([value] * rows)
    n = len(columns[0])
    temperature, humidity, strain = (np.array(c) for c in columns)
    time = np.asarray(np.arange(n) * ROW_S, np.float64)
    return Programme((run,) * n, (segment,) * n, time, temperature, humidity, strain)


def whole() -> tuple[Programme, ...]:
    """Temperature steps up and down, humidity steps, and temperature steps under load."""
    climb = [(2.0, t, 0.5, 0.0) for t in (20, 0, -10, 10, 30, 50, 40, 20)]
    damp = [(4.0, 20.0, 0.5, 0.0)] + [(12.0, 20.0, h, 0.0) for h in (0.8, 0.3, 0.5)]
    loaded = [(2.0, 20.0, 0.5, 0.0)] + [(2.0, t, 0.5, 1e-3) for t in (20, 40, 0, 20)]
    return (
        stepped(climb, "1", "temperature"),
        stepped(damp, "2", "humidity"),
        stepped(loaded, "3", "temperature"),
    )


def measured(
    lot: Lot, films: Sequence[Film], programme: Sequence[Programme], rng: np.random.Generator
) -> ChamberRuns:
    """The table that a chamber with these gauges gives, a meter's white noise in it."""
    serial, parts = [], []
    for i, film in enumerate(films):
        for one in programme:
            start = 1.0 + 1e-4 * rng.standard_normal()
            delta = response(lot, film, one) + lot.noise * rng.standard_normal(len(one.time))
            parts.append(1.2e5 * (1.0 + 0.03 * i) * start * (1.0 + delta))
            serial += [f"g{i + 1}"] * len(one.time)
    n, each = len(serial), len(films)
    return ChamberRuns(
        serial=np.array(serial),
        batch=np.full(n, "B"),
        time=np.tile(np.concatenate([p.time for p in programme]), each),
        temperature=np.tile(np.concatenate([p.temperature for p in programme]), each),
        humidity=np.tile(np.concatenate([p.humidity for p in programme]), each),
        relative=np.concatenate(parts),
        strain=np.tile(np.concatenate([p.strain for p in programme]), each),
        run=np.array([r for p in programme for r in p.run] * each),
        segment=np.array([s for p in programme for s in p.segment] * each),
        material=np.full(n, "steel"),
    )


def response(lot: Lot, film: Film, programme: Programme) -> Floats:
    """δ at each row."""
    warm = programme.temperature - T_REF
    damp = moisture(lot, film, programme) - W_REF
    load = lot.load_per_strain * crept(lot, programme)
    thermal = film.output * sum(c * warm ** (i + 1) for i, c in enumerate(lot.output))
    wet = film.moisture * sum(c * damp ** (i + 1) for i, c in enumerate(lot.moisture))
    drift = lot.drift_per_h * programme.time / 3600.0
    return np.asarray(load * (1.0 + film.factor_per_k * warm) + thermal + wet + drift)


def moisture(lot: Lot, film: Film, programme: Programme) -> Floats:
    """w at each row: dw/dt = (φ - w)/τ(T), by the implicit midpoint rule on a fine grid."""
    time, w = programme.time, float(programme.humidity[0])
    found = [w]
    for i in range(1, len(time)):
        kelvin = 0.5 * (programme.temperature[i] + programme.temperature[i - 1]) + 273.15
        tau = film.tau * np.exp(lot.activation * (1.0 / kelvin - 1.0 / (T_REF + 273.15)))
        h = (time[i] - time[i - 1]) / _FINE / tau
        before, after = programme.humidity[i - 1], programme.humidity[i]
        for k in range(_FINE):
            target = before + (after - before) * (k + 0.5) / _FINE
            w = (w * (1.0 - 0.5 * h) + h * target) / (1.0 + 0.5 * h)
        found.append(w)
    return np.array(found)


def crept(lot: Lot, programme: Programme) -> Floats:
    """Strain with its creep: ε(t) + Σ c·∫ ε̇(s)·(1 - exp(-(t - s)/τ)) ds over the steps of ε."""
    total = programme.strain.copy()
    changes = np.diff(programme.strain, prepend=0.0)
    for i in np.flatnonzero(changes).tolist():
        since = programme.time[i:] - programme.time[i]
        for fraction, tau in lot.creep:
            total[i:] += changes[i] * fraction * (1.0 - np.exp(-since / tau))
    return np.asarray(total)
