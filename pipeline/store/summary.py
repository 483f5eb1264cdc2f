"""
Hourly figures of each point from its results: counts by flag, range, mean, spread, completeness.

Suspect values count in every figure, since a real overload is suspect; failed ones have no value.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.blocks import (
    FAIL,
    MISSING,
    NAME,
    NOT_EVALUATED,
    PASS,
    SCHEMA_VERSION,
    SUSPECT,
    TIME,
    Bools,
    Floats,
    Ints,
    Results,
)

HOUR_US = 3_600_000_000


def _field(name: str, kind: pa.DataType, unit: str, *, nullable: bool = True) -> pa.Field:
    return pa.field(name, kind, nullable=nullable, metadata={"unit": unit} if unit else None)


_COUNTS = ("n", "n_passed", "n_not_evaluated", "n_suspect", "n_failed", "n_missing", "n_valued")
_FLAGS = (PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING)
_OF_VALUE = "of the point; µm/m for strain"

SUMMARY_SCHEMA = pa.schema(
    [
        _field("hour", TIME, "", nullable=False),
        _field("point", NAME, "", nullable=False),
        _field("quantity", NAME, "", nullable=False),
        *(_field(name, pa.int64(), "rows", nullable=False) for name in _COUNTS),
        *(_field(name, pa.float64(), _OF_VALUE) for name in ("min", "mean", "max", "std")),
        _field("time_min", TIME, ""),
        _field("time_max", TIME, ""),
        _field("u_mean", pa.float64(), "of the value; U95/2"),
        _field("completeness", pa.float64(), "n / expected rows; above 1 where more came"),
        *(_field(f"temperature_{name}", pa.float64(), "°C") for name in ("min", "mean", "max")),
    ],
    metadata={
        "block": "summary",
        "schema_version": str(SCHEMA_VERSION),
        "hour": "start of the hour, UTC; the hour's end is not in it",
        "n_valued": "rows with a value that are neither failed nor missing; min to std are theirs",
        "std": "sample standard deviation, n_valued - 1; null below 2",
        "time_min": "first time at which the value was the least; time_max likewise",
    },
)


@dataclass(frozen=True)
class Interval:
    """How often rows of a point are expected, from a time (inclusive) to a time (exclusive)."""

    point: str
    from_us: int
    to_us: int
    interval_s: float


@dataclass(frozen=True)
class _Groups:
    """Rows ordered by point, quantity, hour and time; `starts` where each group begins."""

    order: Ints
    starts: Ints
    of_row: Ints
    hour: Ints


def summarise(results: Results, intervals: Iterable[Interval] = ()) -> pa.Table:
    """
    One row per point, quantity and hour (UTC) in which the point has rows.

    Args:
        results: any rows; absent values are counted and take no part in the figures.
        intervals: expected distance of rows; completeness is null where none covers the hour.

    Returns:
        Table of `SUMMARY_SCHEMA`, sorted by point, quantity and hour. `min` and `max` are values
        that occurred, bit for bit.

    Ref: worked by hand and against `statistics.fmean` and `stdev` in its tests.
    """
    if not len(results):
        return SUMMARY_SCHEMA.empty_table()
    groups = _groups(results)
    flag = _ints(results, "flag")[groups.order]
    first = results.table.take(pa.array(groups.order[groups.starts]))
    count = _sums(np.ones(len(flag)), groups).astype(np.int64)
    columns: dict[str, pa.Array | Ints | Floats] = {
        "hour": pa.array(groups.hour).cast(TIME),
        "point": first.column("point").combine_chunks(),
        "quantity": first.column("quantity").combine_chunks(),
        "n": count,
        "completeness": _completeness(count, first, groups.hour, intervals),
    }
    for name, code in zip(_COUNTS[1:6], _FLAGS, strict=True):
        columns[name] = _sums((flag == code).astype(np.float64), groups).astype(np.int64)
    columns |= _value_figures(results, groups, (flag != FAIL) & (flag != MISSING))
    columns |= _temperature_figures(results, groups)
    arrays = [
        one if isinstance(one := columns[f.name], pa.Array) else pa.array(one, from_pandas=True)
        for f in SUMMARY_SCHEMA
    ]
    return pa.Table.from_arrays(arrays, schema=SUMMARY_SCHEMA)


def _value_figures(
    results: Results, groups: _Groups, usable: Bools
) -> dict[str, pa.Array | Ints | Floats]:
    time = _ints(results, "time")[groups.order]
    value = _floats(results, "value")[groups.order]
    u = _floats(results, "u")[groups.order]
    valued = usable & ~np.isnan(value)
    n, mean, std = _moments(value, valued, groups)
    least, time_min = _extreme(value, valued, time, groups, np.minimum)
    greatest, time_max = _extreme(value, valued, time, groups, np.maximum)
    return {
        "n_valued": n,
        "min": least,
        "mean": mean,
        "max": greatest,
        "std": std,
        "time_min": pa.array(time_min, mask=n == 0).cast(TIME),
        "time_max": pa.array(time_max, mask=n == 0).cast(TIME),
        "u_mean": _moments(u, valued & ~np.isnan(u), groups)[1],
    }


def _temperature_figures(results: Results, groups: _Groups) -> dict[str, pa.Array | Ints | Floats]:
    time = _ints(results, "time")[groups.order]
    temperature = _floats(results, "temperature")[groups.order]
    known = ~np.isnan(temperature)
    return {
        "temperature_min": _extreme(temperature, known, time, groups, np.minimum)[0],
        "temperature_mean": _moments(temperature, known, groups)[1],
        "temperature_max": _extreme(temperature, known, time, groups, np.maximum)[0],
    }


def _groups(results: Results) -> _Groups:
    time = _ints(results, "time")
    hour = time // HOUR_US * HOUR_US
    point = _name_ranks(results.table.column("point"))
    quantity = _name_ranks(results.table.column("quantity"))
    order = np.lexsort((time, hour, quantity, point))
    new = np.ones(len(order), bool)
    new[1:] = False
    for key in (point, quantity, hour):
        new[1:] |= key[order][1:] != key[order][:-1]
    starts = np.flatnonzero(new)
    return _Groups(order, starts, np.cumsum(new) - 1, hour[order][starts])


def _name_ranks(column: pa.ChunkedArray) -> Ints:
    merged = column.unify_dictionaries().combine_chunks()
    names = np.asarray(merged.dictionary.to_pylist(), dtype=object)
    rank = np.empty(len(names), np.int64)
    rank[np.argsort(names)] = np.arange(len(names))
    return np.asarray(rank[np.asarray(merged.indices)])


def _ints(results: Results, name: str) -> Ints:
    return results.column(name).astype(np.int64)


def _floats(results: Results, name: str) -> Floats:
    return results.column(name).astype(np.float64)


def _sums(values: Floats, groups: _Groups) -> Floats:
    return np.asarray(np.add.reduceat(values, groups.starts))


def _moments(values: Floats, used: Bools, groups: _Groups) -> tuple[Ints, Floats, Floats]:
    """Count, mean and sample standard deviation of the used values of each group, NaN for none."""
    n = _sums(used.astype(np.float64), groups)
    # About the group's first used value: a large offset must not cost the spread its digits.
    first = np.full(len(n), np.nan)
    rows = np.flatnonzero(used)[::-1]
    first[groups.of_row[rows]] = values[rows]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        shifted = np.where(used, values - first[groups.of_row], 0.0)
        mean = _sums(shifted, groups) / n
        spread = np.where(used, shifted - mean[groups.of_row], 0.0)
        std = np.where(n > 1, np.sqrt(_sums(spread**2, groups) / (n - 1)), np.nan)
    return n.astype(np.int64), first + mean, std


def _extreme(
    values: Floats, used: Bools, time: Ints, groups: _Groups, pick: np.ufunc
) -> tuple[Floats, Ints]:
    """Least or greatest used value of each group and when it first stood; NaN and 0 for none."""
    neutral = np.inf if pick is np.minimum else -np.inf
    extreme = pick.reduceat(np.where(used, values, neutral), groups.starts)
    rows = np.flatnonzero(used & (values == extreme[groups.of_row]))[::-1]
    found = np.full(len(extreme), np.nan)
    when = np.zeros(len(extreme), np.int64)
    found[groups.of_row[rows]] = values[rows]
    when[groups.of_row[rows]] = time[rows]
    return found, when


def _completeness(
    count: Ints, table: pa.Table, hour: Ints, intervals: Iterable[Interval]
) -> Floats:
    expected = np.zeros(len(hour))
    points = np.asarray(table.column("point").to_pylist(), dtype=object)
    for each in intervals:
        overlap = np.minimum(each.to_us, hour + HOUR_US) - np.maximum(each.from_us, hour)
        share = np.maximum(overlap, 0) / 1e6 / each.interval_s
        expected += np.where(points == each.point, share, 0.0)
    share_here = np.full(len(hour), np.nan)
    np.divide(count, expected, out=share_here, where=expected > 0)
    return share_here
