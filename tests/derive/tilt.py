"""
A tilt sensor that shows its reading, at a point with quality tests: what most of them run on.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from pipeline.blocks import TEST_BIT, Readings, Results, concat_results
from pipeline.derive.chain import ChainState, compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Plan
from tests.derive.examples import calibration, placement, structure
from tests.derive.streams import floats, readings

KEY = "T1|T1|P-T1"
"""Of the sensor's state."""

UNIT = calibration("unit", None, kind="linear", scale=1.0)


def plan(interval_s: float = 60.0, **point: Any) -> Plan:
    """A sensor that shows its reading, at a point with these tests."""
    gauge = placement("T1", wiring="linear", calibration="unit", unstrained=0.0)
    fields = {"P-T1": {"quantity": "tilt", "unit": "mm/m", **point}}
    return compile_plan(structure((gauge,), (), (UNIT,), interval_s, fields, rail_high=1e6))


def run(values: npt.ArrayLike, times: npt.ArrayLike | None = None, **point: Any) -> Results:
    """Results of values a minute apart, or at given times [s]."""
    value = np.asarray(values, np.float64)
    at = np.arange(len(value)) * 60.0 if times is None else times
    one = plan(**point)
    return run_chain(readings({"T1": (at, value)}), initial_state(one), one)[0]


def flags(results: Results) -> list[int]:
    """The flag of each row."""
    return [int(flag) for flag in results.column("flag")]


def has(results: Results, test: str) -> list[int]:
    """1 for each row that carries the bit."""
    return [int(tests & TEST_BIT[test] != 0) for tests in results.column("tests").astype(np.int64)]


def stream(
    times: npt.ArrayLike, values: npt.ArrayLike, sequence: Sequence[int | None] | None = None
) -> Readings:
    """Readings of the sensor at times [s], with the sequence of the message that brought each."""
    block = readings({"T1": (times, values)})
    if sequence is None:
        return block
    return Readings.from_columns(
        block.column("time"),
        block.table.column("channel").combine_chunks(),
        floats(block, "value"),
        block.column("received"),
        pa.array(sequence, pa.int64()),
    )


def run_cut(one: Plan, block: Readings, cuts: list[int]) -> tuple[Results, ChainState]:
    """Results of the pieces between the cuts, live, with the state through JSON between them."""
    state, parts = initial_state(one), []
    for a, b in pairwise([0, *sorted(cuts), len(block)]):
        part, state = run_chain(
            block.take(np.arange(a, b)), ChainState.from_json(state.to_json()), one, live=True
        )
        parts.append(part)
    return concat_results(parts), state
