"""
One gauge under one calibration through the real chain: its error, its stated u, and its terms.

A Structure is made from the fitted calibration, the zero is solved as the command `zero` does, and
the chain is run on from there. Nothing here knows the simulator's values but the truth
that the result is compared with.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from ops.coverage.field import EXPANSION, KNOWN_U, METER, ZERO_US, Installed
from pipeline.blocks import Floats, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.zeroing import Solution, Statement, solve_zero
from pipeline.site.models import (
    Calibration,
    Channel,
    ChannelKind,
    Node,
    Placement,
    Point,
    Structure,
    Zero,
)

WITHOUT = ("thermal_output", "moisture", "creep", "sensitivity")
"""Terms that the RMS error is printed without."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO = 1e6
_CLIMATE: tuple[tuple[str, ChannelKind, str], ...] = (
    ("ts", "temperature", "Cel"),
    ("ta", "temperature", "Cel"),
    ("rh", "humidity", "%RH"),
)


@dataclass(frozen=True)
class Recovered:
    """One reading of one gauge [µm/m]."""

    error: float
    u: float
    """U95/2, as stated."""
    without: tuple[float, ...]
    """Error without each of `WITHOUT`, then of the indicated strain; the zero taken alike."""

    @property
    def is_covered(self) -> bool:
        """Whether the truth lies within 2u."""
        return abs(self.error) <= 2.0 * self.u


def recovered(one: Installed, calibration: Calibration) -> Recovered:
    """
    What the chain makes of a stream at its reading.

    Raises:
        ValueError: no reading of the window of the zero could be used, or the reading is null.
    """
    bare = _structure(one, calibration)
    unzeroed = compile_plan(bare)
    is_before = one.readings.column("time").astype(np.int64) < one.zero_us
    _, state = run_chain(one.readings.take(is_before), initial_state(unzeroed), unzeroed)
    rest = one.readings.take(~is_before)
    statement = Statement("G", one.zero_us, one.zero_us + ZERO_US, 0.0, KNOWN_U)
    solution = solve_zero(bare, rest, state, statement)
    if solution is None:
        raise ValueError("no reading of the window of the zero can be used")
    zeroed = bare.model_copy(update={"zeros": (zero_of(solution, statement),)})
    results, _ = run_chain(rest, state, compile_plan(zeroed))
    return _read(results, one)


def zero_of(solution: Solution, statement: Statement) -> Zero:
    """The line of zeros.jsonl that the command writes."""
    at = _EPOCH + timedelta(microseconds=statement.start_us)
    return Zero(
        serial=statement.serial,
        valid_from=at,
        recorded=at,
        offset_delta=solution.offset,
        offset_delta_u=solution.offset_u,
        known_strain_um_m=statement.strain * _MICRO,
        temperature_c=solution.temperature_c or 0.0,
        film_moisture=None if solution.moisture is None else solution.moisture[0],
        film_moisture_u=0.0 if solution.moisture is None else solution.moisture[1],
        by="I. Oakhollow",
        reason="deck closed and empty",
    )


def _read(results: Results, one: Installed) -> Recovered:
    time = results.column("time").astype(np.int64)
    row = int(np.flatnonzero(time == one.read_us)[0])
    window = (time >= one.zero_us) & (time < one.zero_us + ZERO_US)
    truth = one.truth * _MICRO
    error = float(_column(results, "mechanical")[row]) - truth
    u = float(_column(results, "u")[row])
    if not np.isfinite(error) or not np.isfinite(u):
        raise ValueError(f"the reading has no value or no uncertainty: {error}, {u}")
    without = []
    for name in WITHOUT:
        term = np.nan_to_num(_column(results, name))
        without.append(error + float(term[row] - term[window].mean()))
    indicated = _column(results, "indicated")
    without.append(float(indicated[row] - indicated[window].mean()) - truth)
    return Recovered(error, u, tuple(without))


def _column(results: Results, name: str) -> Floats:
    return results.column(name).astype(np.float64)


def _structure(one: Installed, calibration: Calibration) -> Structure:
    """One point, one gauge, its climate channels and its calibration."""
    has_film = calibration.moisture is not None
    begun = _EPOCH + timedelta(microseconds=one.start_us)
    # A bench in March serves a winter before it: only the dates of the sheet are moved.
    dated = calibration.model_copy(update={"valid_from": begun, "recorded": begun})
    placement = Placement(
        serial="G",
        batch=calibration.batch or "",
        point="P",
        valid_from=begun,
        channel="gauge",
        wiring="resistance_4wire" if has_film else "quarter_3wire",
        nominal_ohm=None if has_film else 350.0,
        unstrained=one.unstrained,
        unstrained_u=METER * one.unstrained if has_film else 1e-7,
        unstrained_temperature_c=one.temperature_c,
        unstrained_humidity_rh=one.humidity_rh,
        calibration=calibration.id,
        compensation="model",
        temperature_channel="ts",
        humidity_channel="rh" if has_film else None,
        air_temperature_channel="ta" if has_film else None,
    )
    own: tuple[str, ChannelKind, str] = ("gauge", "bridge", "/")
    if has_film:
        own = ("gauge", "resistance", "Ohm")
    channels = tuple(
        Channel(id=name, node="n", kind=kind, unit=unit, interval_s=100.0)
        for name, kind, unit in (own, *_CLIMATE)
    )
    return Structure(
        id="deck",
        name="Deck of the coverage runs",
        material="steel",
        expansion_1e6_per_k=EXPANSION,
        nodes=(Node(id="n", structure="deck"),),
        channels=channels,
        points=(Point(id="P", structure="deck", member="girder"),),
        placements=(placement,),
        calibrations=(dated,),
    )
