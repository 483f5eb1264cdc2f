"""
The steps of each run: from zero up and down again, none missing, none twice, none out of order.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.bench.runs import Bench, Row, Run
from pipeline.errors import Mistake
from pipeline.site.located import Located

_SAME_LOAD = 0.02
"""Loads closer than this share of the largest are one level."""


def check_steps(bench: Bench) -> Iterator[Mistake]:
    """Every mistake in the sequence of steps, first within each run, then against its sisters."""
    for run in (*bench.runs, *bench.reference):
        told = [*_doubles(run), *_numbers(run)]
        if not told:
            told = [*_zero(run), *_order(run)]
        yield from told
    for serial in dict.fromkeys(run.serial for run in (*bench.runs, *bench.reference)):
        runs = [run for run in (*bench.runs, *bench.reference) if run.serial == serial]
        yield from _plan(runs)


def tolerance(run: Run) -> float:
    """Loads closer than this [N] count as one level."""
    return _SAME_LOAD * float(np.max(np.abs(run.load)))


def _doubles(run: Run) -> Iterator[Mistake]:
    first: dict[tuple[float, bool, float | None], str] = {}
    for row in run.rows:
        one = row.item
        is_hold = one.direction == "hold"
        key = (one.step, is_hold, one.time_s if is_hold else None)
        if key in first:
            found = f"step {one.step:g} of run {run.label} ({one.direction}) a second time"
            expected = f"each step once; it stands in {first[key]} already"
            remedy = "Take one of the rows out, or number the steps through, down after up."
            yield row.mistake("step", found, expected, remedy)
        first.setdefault(key, row.place)


def _numbers(run: Run) -> Iterator[Mistake]:
    for before, row in zip(run.rows[:-1], run.rows[1:], strict=True):
        if row.item.step - before.item.step > 1:
            found = f"step {row.item.step:g} after step {before.item.step:g} in run {run.label}"
            expected = f"step {before.item.step + 1:g} between them"
            remedy = "Add the missing row; if the step was not taken, repeat the run."
            yield row.mistake("step", found, expected, remedy)


def _zero(run: Run) -> Iterator[Mistake]:
    first = run.rows[0]
    if run.load[0] != 0.0 or first.item.direction != "up":
        found = f"{_load_cell(first)}, {first.item.direction} as the first step of run {run.label}"
        remedy = "δ counts from the run's own zero: add the reading before the first load."
        yield first.mistake("load_n", found, "a reading at zero load, direction up", remedy)
    if not (run.is_direction("up") & (run.load != 0.0)).any():
        found, remedy = f"no load in run {run.label}", "Add the loaded steps, or take it out."
        yield first.mistake("load_n", found, "at least one step up with a load", remedy)


def _order(run: Run) -> Iterator[Mistake]:
    """Loads rise while up, fall while down and stay in a hold, by their size."""
    size = np.abs(run.load)
    slack = tolerance(run)
    for i in range(1, len(run.rows)):
        direction, change = run.rows[i].item.direction, size[i] - size[i - 1]
        turned = run.load[i] * run.load[i - 1] < 0.0
        # A new branch, for example the compression side, starts from zero again.
        fault = {
            "up": change < -slack and size[i] > slack,
            "down": change > slack,
            "hold": abs(change) > slack,
        }[direction]
        if not fault and not turned:
            continue
        wanted = {"up": "not below", "down": "not above", "hold": "the same as"}[direction]
        if turned:
            found = f"{_load_cell(run.rows[i])} after {_load_cell(run.rows[i - 1])}"
            expected, remedy = "zero between the two sides", "Add the reading at zero load."
        else:
            found = f"{_load_cell(run.rows[i])}, {direction}, after {_load_cell(run.rows[i - 1])}"
            expected = f"a load {wanted} the one before ({run.rows[i - 1].place})"
            remedy = "Two loads look exchanged, or the direction is wrong: compare with the notes."
        yield run.rows[i].mistake("load_n", f"{found} in run {run.label}", expected, remedy)
        return  # what follows is out of order because of it


def _plan(runs: list[Run]) -> Iterator[Mistake]:
    """A load that most runs of the gauge have, up or down, and one lacks."""
    slack = max(tolerance(run) for run in runs)
    for direction in ("up", "down"):
        for load in _levels(runs, direction, slack):
            lacking = [run for run in runs if not _has(run, direction, load, slack)]
            if lacking and 2 * len(lacking) < len(runs):
                for run in lacking:
                    found = f"no step {direction} at {load:.4g} N in run {run.label}"
                    expected = f"it, as in the other {len(runs) - len(lacking)} runs of the gauge"
                    remedy = "Add the missing row; if the step was not taken, repeat the run."
                    yield run.rows[0].mistake("step", found, expected, remedy)


def _levels(runs: list[Run], direction: str, slack: float) -> list[float]:
    loads = np.sort(np.concatenate([run.load[run.is_direction(direction)] for run in runs]))
    return [float(x) for i, x in enumerate(loads) if i == 0 or x - loads[i - 1] > slack]


def _has(run: Run, direction: str, load: float, slack: float) -> bool:
    loads = run.load[run.is_direction(direction)]
    # A level's name is its smallest load; others of it lie above, at most one slack each.
    return bool(np.any((loads >= load - slack) & (loads <= load + 2 * slack)))


def _load_cell(row: Located[Row]) -> str:
    one = row.item
    return f"{one.load_n:g} N" if one.mass_kg is None else f"{one.mass_kg:g} kg"
