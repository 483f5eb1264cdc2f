"""
Puts the rows of all gauges into one Results block, by point, then time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.blocks import NAME, RESULTS_SCHEMA, TIME, Floats, Ints, Results
from pipeline.derive.block import Block
from pipeline.derive.gauges import Segment

_FLOATS = tuple(f.name for f in RESULTS_SCHEMA if pa.types.is_floating(f.type))


@dataclass(frozen=True, eq=False)
class Part:
    """Finished rows of one gauge within one segment."""

    point: str
    quantity: str
    block: Block
    segment: Segment | None = None
    """None: the rows are not of one gauge."""
    is_aside: bool = False
    """The rows advance nothing: late ones, and values that contradict another."""


def assembled(parts: list[Part]) -> Results:
    """
    One block from parts that come by point, each ascending in time; `flag` is in their columns.

    What is NaN becomes null: all but the climate where a reading failed. Rows of one point from
    several gauges are brought into the order of time.
    """
    parts = [part for part in parts if len(part.block)]
    if not parts:
        return Results.empty()
    lengths = np.array([len(part.block) for part in parts])
    time = np.concatenate([part.block.time for part in parts])
    tests = np.concatenate([part.block.tests for part in parts])
    columns: dict[str, pa.Array] = {
        "time": pa.array(time).cast(TIME),
        "point": _names([part.point for part in parts], lengths),
        "quantity": _names([part.quantity for part in parts], lengths),
        "flag": pa.array(_gathered(parts, "flag").astype(np.int8)),
        "tests": pa.array(tests),
    }
    for name in _FLOATS:
        columns[name] = _float_column(parts, name)
    arrays = [columns[f.name] for f in RESULTS_SCHEMA]
    results = Results(pa.Table.from_arrays(arrays, schema=RESULTS_SCHEMA))
    return _ordered(results, parts, lengths, time)


def _float_column(parts: list[Part], name: str) -> pa.Array:
    if all(name not in part.block.columns for part in parts):
        return pa.nulls(sum(len(part.block) for part in parts), pa.float64())
    values = _gathered(parts, name)
    absent = np.isnan(values)
    # Equal absent rows must be equal in bytes too.
    return pa.array(np.where(absent, 0.0, values), mask=absent)


def _gathered(parts: list[Part], name: str) -> Floats:
    return np.concatenate(
        [
            part.block.columns[name]
            if name in part.block.columns
            else np.full(len(part.block), np.nan)
            for part in parts
        ]
    )


def _names(names: list[str], lengths: Ints) -> pa.Array:
    known = list(dict.fromkeys(names))
    code = {name: i for i, name in enumerate(known)}
    rows = np.repeat(np.array([code[name] for name in names], np.int32), lengths)
    return pa.DictionaryArray.from_arrays(pa.array(rows), pa.array(known, pa.string())).cast(NAME)


def _ordered(results: Results, parts: list[Part], lengths: Ints, time: Ints) -> Results:
    known = {name: i for i, name in enumerate(dict.fromkeys(part.point for part in parts))}
    point = np.repeat(np.array([known[part.point] for part in parts]), lengths)
    same = point[1:] == point[:-1]
    if np.all(~same | (time[1:] >= time[:-1])):
        return results
    return results.take(np.lexsort((time, point)))
