"""
The chain alone on one core: a day at once, and in blocks of one row a gauge as a slow site has.
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from backlog import simulated

from pipeline.blocks import Floats, Readings
from pipeline.derive.chain import initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.simulate.simulator import NodeReadings

BLOCKS = 200
REPETITIONS = 3


@dataclass(frozen=True)
class ChainTimes:
    """Medians of three; seconds."""

    rows: int
    day_s: float
    ratio_s: float
    """Ratio to δ over all rows, and nothing else."""
    sorted_s: float
    """Rows brought into the order of channel and time, then ratio to δ."""
    block_rows: int
    block_s: float
    """One block of one row a gauge."""


def measure_chain(plan: Plan, rows: int) -> ChainTimes:
    """The chain over about `rows` readings of the deck at 1 Hz, and over small blocks of them."""
    readings = deck_readings(rows, interval_s=1.0)
    value = readings.column("value").astype(np.float64)
    code, _ = readings.channel_codes()
    when = readings.column("time").astype(np.int64)

    def in_order() -> None:
        _delta(value[np.lexsort((when, code))])

    width = len(np.unique(code))
    with one_core():
        day_s = median_s(lambda: run_chain(readings, initial_state(plan), plan))
        ratio_s = median_s(lambda: _delta(value))
        sorted_s = median_s(in_order)
        block_s = median_s(lambda: _run_blocks(readings, width, plan)) / BLOCKS
    return ChainTimes(len(readings), day_s, ratio_s, sorted_s, width, block_s)


def deck_readings(rows: int, interval_s: float) -> Readings:
    """About so many readings of the simulated deck in the order of time, as a gate gives them."""
    simulator = simulated(rows, interval_s)
    nodes = simulator.readings(simulator.start_us, simulator.end_us)
    parts = list(nodes.values())
    when = np.concatenate([part.time_us for part in parts])
    order = np.argsort(when, kind="stable")[:rows]
    names, code = _names(parts)
    return Readings.from_columns(
        when[order],
        pa.DictionaryArray.from_arrays(pa.array(code[order]), pa.array(names)),
        np.concatenate([part.value for part in parts])[order],
        when[order] + 1_000_000,
        pa.array(np.arange(len(order))),
    )


@contextmanager
def one_core() -> Iterator[None]:
    """Keep this process on one core, as if the machine had no other."""
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(cores)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, cores)


def median_s(task: Callable[[], object], repetitions: int = REPETITIONS) -> float:
    """Median time of a task after one run that warms it up [s]."""
    task()
    taken = []
    for _ in range(repetitions):
        begun = time.perf_counter()
        task()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def _names(parts: list[NodeReadings]) -> tuple[list[str], npt.NDArray[np.int32]]:
    names = [channel.id for part in parts for channel in part.channels]
    offsets = np.cumsum([0, *(len(part.channels) for part in parts)])
    codes = [part.channel + offset for part, offset in zip(parts, offsets[:-1], strict=True)]
    return names, np.concatenate(codes).astype(np.int32)


def _delta(ratio: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(4 * ratio / (1 - 2 * ratio))


def _run_blocks(readings: Readings, width: int, plan: Plan) -> None:
    state = initial_state(plan)
    for first in range(0, BLOCKS * width, width):
        _, state = run_chain(readings.take(np.arange(first, first + width)), state, plan, live=True)
