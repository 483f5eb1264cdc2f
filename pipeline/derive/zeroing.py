"""
Solves for a zero: the additive offset in δ that brings a gauge to a known strain over a window.

The chain itself runs over the window with a trial zero o in force from its start, so that climate,
companion, creep and ageing are taken off as they always are. Each reading then asks for

    offset_i = o + gain_i·(F(ε_i) - F(ε_known)),   gain = 1 + c_k·(T - T_ref)

and the mean is the next trial. Creep follows the load and so the zero: this is repeated until it
stands (each round shrinks the rest by the sum of the creep fractions).

Uncertainty: scatter of the mean, from the correlation of neighbours and from means of consecutive
lots, whichever says more; the statement's own; and each component of the budget as it stands at the
window. Left out is what would then be there twice: the single reading (it is in the scatter) and
the unstrained value (the zero takes its place). What the budget counts from the zero on (curve and
factor, thermometer, thermal output, moisture, ageing) is nothing at the zero by itself: see
`since_zero`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from pipeline.blocks import TEST_BIT, Bools, Floats, Readings
from pipeline.derive.block import Block
from pipeline.derive.budget import components_of
from pipeline.derive.chain import run_chain
from pipeline.derive.gauges import Gauge, Plan, Segment, StrainModel, microseconds
from pipeline.derive.plan import compile_plan
from pipeline.derive.state import ChainState
from pipeline.physics.uncertainty import Component, coverage_factor, half_u95
from pipeline.site.models import Structure, Zero

LOTS = 8
"""The window is cut into so many lots of readings; the scatter of their means is looked at."""
UNCOMPENSATED = TEST_BIT["uncompensated"] | TEST_BIT["companion_missing"]
_ROUNDS = 40
_STANDS = 1e-13
_IN_OTHER_PARTS = ("reading", "companion", "unstrained", "zero")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Statement:
    """What a person says of a gauge's member: from start_us to before end_us it was at `strain`."""

    serial: str
    start_us: int
    end_us: int
    strain: float
    """Mechanical [m/m]."""
    strain_u: float = 0.0
    """How well it is known: standard uncertainty [m/m]."""
    temperature_c: float | None = None
    """T_zero, where it is not to be the window's own mean."""


@dataclass(frozen=True, eq=False)
class Window:
    """The gauge's rows within the window under the zero that was found, shape (n,)."""

    segment: Segment
    block: Block
    usable: Bools
    """Rows with a strain and all their compensation: those of the mean."""

    @property
    def model(self) -> StrainModel:
        """Of the gauge in the window."""
        if self.segment.strain is None:
            raise ValueError("a linear sensor has no zero in δ")
        return self.segment.strain


@dataclass(frozen=True, eq=False)
class Solution:
    """The zero that follows from a statement, before anybody has judged whether it may stand."""

    offset: float
    """In δ."""
    offset_u: float
    temperature_c: float | None
    """T_zero; None: there is no thermometer and none was stated."""
    moisture: tuple[float, float] | None
    """w of the film and its u, in the mean of the window; None: no film, or no humidity."""
    tangent: float
    """δ per strain at the known strain: an offset divided by it is in strain."""
    parts: dict[str, float]
    """Standard uncertainty of each part of `offset_u`, in δ."""
    window: Window


def solve_zero(
    structure: Structure, readings: Readings, state: ChainState, statement: Statement
) -> Solution | None:
    """
    The zero that makes the mean mechanical strain of the window the stated one.

    Args:
        structure: as configured; zeros of the gauge from the window's start on are left out.
        readings: of the gauge and what it is joined with, from the edge of `state` to the window's
            end or beyond; what is not before the end is not looked at.
        state: of the chain at that edge.
        statement: of a strain gauge that is at one place, under one calibration, all the window.

    Returns:
        The solution, or None where no reading of the window can be used.
    """
    before = readings.take(readings.column("time").astype(np.int64) < statement.end_us)
    offset, temperature = 0.0, statement.temperature_c
    window, moisture = None, None
    for _ in range(_ROUNDS):
        trial = _trial(statement, offset, temperature, moisture)
        window = _run(structure, before, state, statement, trial)
        if window is None or not window.usable.any():
            return None
        asked = offset + _missing(window, statement.strain)
        change, offset = float(np.mean(asked)) - offset, float(np.mean(asked))
        warmth = window.block["temperature"][window.usable]
        known = statement.temperature_c is not None or np.isnan(warmth).all()
        moved = 0.0 if known else abs(float(np.nanmean(warmth)) - (temperature or 0.0))
        temperature = temperature if known else float(np.nanmean(warmth))
        moisture, before_moisture = _film(window), moisture
        settled = moisture == before_moisture
        if abs(change) <= _STANDS and moved <= _STANDS and settled:
            break
    if window is None:
        return None
    tangent = float(window.model.curve.slope(statement.strain))
    tangent *= float(np.mean(window.block["gain"][window.usable]))
    parts = _parts(window, statement, tangent)
    u = _standard(parts)
    each = {name: float(np.sqrt(variance)) for name, (variance, _) in parts.items()}
    return Solution(offset, u, temperature, moisture, tangent, each, window)


def _film(window: Window) -> tuple[float, float] | None:
    """w and its u, in the mean of the usable rows; None: there is none."""
    if window.model.film is None:
        return None
    w = window.block["film_moisture"][window.usable]
    u = window.block["film_moisture_u"][window.usable]
    return None if np.isnan(w).any() else (float(np.mean(w)), float(np.mean(u)))


def _trial(
    statement: Statement,
    offset: float,
    temperature: float | None,
    moisture: tuple[float, float] | None,
) -> Zero:
    start = _EPOCH + timedelta(microseconds=statement.start_us)
    return Zero(
        serial=statement.serial,
        valid_from=start,
        recorded=start,
        offset_delta=offset,
        offset_delta_u=0.0,
        known_strain_um_m=statement.strain * 1e6,
        temperature_c=0.0 if temperature is None else temperature,
        film_moisture=None if moisture is None else moisture[0],
        film_moisture_u=0.0 if moisture is None else moisture[1],
        by="",
        reason="",
    )


def _run(
    structure: Structure, readings: Readings, state: ChainState, statement: Statement, trial: Zero
) -> Window | None:
    """The chain over the window under a trial zero; None: the gauge has no row there."""
    kept = tuple(
        zero
        for zero in structure.zeros
        if zero.serial != trial.serial or microseconds(zero.valid_from) < statement.start_us
    )
    whole = compile_plan(structure.model_copy(update={"zeros": (*kept, trial)}))
    plan = Plan(tuple(gauge for gauge in whole.gauges if gauge.serial == trial.serial))
    seen: list[tuple[Gauge, Block]] = []
    run_chain(readings, state, plan, watch=lambda gauge, block: seen.append((gauge, block)))
    for gauge, block in seen:
        if block.time[0] >= statement.start_us:
            place = int(np.searchsorted(gauge.ends_us, block.time[0], side="right"))
            has_strain = np.isfinite(block["mechanical"])
            usable = has_strain & (block.tests & UNCOMPENSATED == 0)
            return Window(gauge.segments[place], block, usable)
    return None


def _missing(window: Window, known: float) -> Floats:
    """What the trial offset lacks at each usable row, in δ."""
    curve, block = window.model.curve, window.block
    strain = block["strain"]
    # Where the compensation yields total strain, the expansion since T_zero is in it.
    target = known + strain - block["mechanical"] * 1e-6
    lacks = block["gain"] * (curve.delta(strain) - curve.delta(target))
    return np.asarray(lacks[window.usable])


def _parts(window: Window, statement: Statement, tangent: float) -> dict[str, Component]:
    """Variance of the offset and degrees of freedom of each part."""
    usable = window.usable
    parts: dict[str, Component] = {"scatter": _scatter(window, statement.strain)}
    if statement.strain_u:
        parts["known_strain"] = ((statement.strain_u * tangent) ** 2, float("inf"))
    for name, (variance, freedom) in components_of(window.block, window.segment).items():
        if name in _IN_OTHER_PARTS:
            continue
        rows = np.broadcast_to(np.asarray(variance, np.float64), usable.shape)
        mean = float(np.mean(rows[usable]))
        if mean > 0.0:
            parts[name] = (mean, freedom)
    return parts


def _scatter(window: Window, known: float) -> Component:
    """Variance of the mean: the largest that single readings, lots and their correlation give."""
    asked = _missing(window, known)
    n, lots = len(asked), min(LOTS, len(asked) // 2)
    # Of readings that all stand on one step of the converter, the bench knows the noise.
    found = [window.model.spread.reading_u**2 / n]
    if lots < 2:
        return found[0], 1.0
    means = [float(np.mean(lot)) for lot in np.array_split(asked, lots)]
    found.append(float(np.var(means, ddof=1)) / lots)
    found.append(float(np.var(asked, ddof=1)) / n * _correlated(asked))
    return max(found), lots - 1.0


def _correlated(values: Floats) -> float:
    """
    By how much correlation raises the variance of a mean: (1 + ρ)/(1 - ρ), at least 1.

    ρ is that of neighbours, with what a short row takes off it given back (M. G. Kendall,
    Biometrika 41 (1954) 403: E[r] = ρ - (1 + 3ρ)/n).
    """
    rest = values - values.mean()
    square = float(rest @ rest)
    if square <= 0.0:
        return 1.0
    n = len(values)
    r = float(rest[1:] @ rest[:-1]) / square
    rho = min(max((r + 1.0 / n) / (1.0 - 3.0 / n), 0.0), 1.0 - 1.0 / n) if n > 3 else 0.0
    return (1.0 + rho) / (1.0 - rho)


def _standard(parts: dict[str, Component]) -> float:
    """One standard uncertainty; few degrees of freedom widen it, since the budget takes it as
    well known."""
    widened = 2.0 * half_u95(parts.values(), 1) / coverage_factor(float("inf"))
    return float(widened[0])
