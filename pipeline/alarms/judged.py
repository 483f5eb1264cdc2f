"""
Rows of one point judged for one rule: limit exceeded, back, neither, or cannot tell.

A failed row (flag 4, or no value) never counts as normal; rows flagged suspect or not evaluated
are judged like any other. Rows are in time order.

A value that contradicts another of its time can raise, and takes nothing back: which of the two
holds is not known. So a node whose clock stands still, or two nodes that send as one, cannot
keep an excursion from being told. At a time that stands still no delay is over by the readings'
time; the last one is held by the station's, as when nothing comes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.alarms.condition import BETWEEN, DOUBTFUL, FAILED, FALSE, TRUE, Evidence, Kinds
from pipeline.alarms.rules import Watch
from pipeline.blocks import FAIL, MISSING, TEST_BIT, Bools, Floats, Ints, Results

LARGEST = float(np.finfo(np.float64).max) / 8
"""What is larger counts as this: it exceeds any limit, and can be added to and kept as JSON."""


@dataclass(frozen=True)
class PointRows:
    """Columns of one point's rows in time order, as comparing needs them."""

    time: Ints
    value: Floats
    """In the point's unit; NaN where there is none, finite elsewhere."""
    u: Floats
    """U95/2; NaN where there is none."""
    is_failed: Bools
    flag: Ints
    tests: Ints
    last_value: float | None
    """Last value that could be judged before the first row, with its u."""
    last_u: float | None
    last_us: int | None = None
    """Newest time of the point before the first row [µs since 1970 UTC]; None: none."""

    @property
    def is_doubtful(self) -> Bools:
        """Whether a row contradicts another of its time instead of advancing the point."""
        before = np.full(len(self.time), np.iinfo(np.int64).min)
        before[1:] = self.time[:-1]
        if self.last_us is not None:
            before = np.maximum(before, self.last_us)
        is_other: Bools = (self.tests & TEST_BIT["contradiction"]) != 0
        return is_other & (self.time <= before)


@dataclass(frozen=True)
class LevelRows:
    """Rows judged against the limits of a level rule."""

    rows: PointRows
    watch: Watch
    kinds: Kinds
    tellable: Ints
    """Position of the last row up to each row that could be judged; -1: none."""

    @property
    def time(self) -> Ints:
        """[µs since 1970 UTC], shape (n,)."""
        return self.rows.time

    def begin(self, row: int) -> Evidence:
        """What was normal just before `row`, to tell a value that moved from a u that grew."""
        before = int(self.tellable[row - 1]) if row else -1
        if before < 0:
            return Evidence(normal_value=self.rows.last_value, normal_u=self.rows.last_u)
        return Evidence(
            normal_value=float(self.rows.value[before]), normal_u=_number(self.rows.u[before])
        )

    def gather(self, evidence: Evidence, first: int, last: int) -> Evidence:
        """Keep the reading whose value is furthest towards or beyond its limit."""
        value = self.rows.value[first : last + 1]
        over, under = value - self.watch.high, self.watch.low - value
        excess = np.maximum(over, under)
        best = int(np.argmax(excess))
        if evidence.value is not None and evidence.limit is not None:
            kept = max(evidence.value - self.watch.high, self.watch.low - evidence.value)
            if kept >= excess[best]:
                return evidence
        return replace(
            evidence,
            value=float(value[best]),
            u=_number(self.rows.u[first + best]),
            limit=self.watch.high if over[best] >= under[best] else self.watch.low,
        )

    def failure(self, row: int) -> str:
        """Names of the failed tests."""
        return failed_tests(int(self.rows.tests[row]))


@dataclass(frozen=True)
class FaultRows:
    """Rows judged for a gauge-fault rule: TRUE where the gauge failed."""

    rows: PointRows
    kinds: Kinds

    @property
    def time(self) -> Ints:
        """[µs since 1970 UTC], shape (n,)."""
        return self.rows.time

    def begin(self, row: int) -> Evidence:
        """Nothing yet; `gather` adds the tests."""
        return Evidence()

    def gather(self, evidence: Evidence, first: int, last: int) -> Evidence:
        """Add the failed tests of the rows."""
        union = int(np.bitwise_or.reduce(self.rows.tests[first : last + 1]))
        return replace(evidence, tests=evidence.tests | union)

    def failure(self, row: int) -> str:
        """Names of the failed tests."""
        return failed_tests(int(self.rows.tests[row]))


def judge(rows: PointRows, watch: Watch) -> LevelRows | FaultRows:
    """The rows judged for a level or gauge-fault watch."""
    return _judge_fault(rows) if watch.rule.kind == "gauge_fault" else _judge_level(rows, watch)


def _judge_level(rows: PointRows, watch: Watch) -> LevelRows:
    """
    Exceeded: value + k·u above high, or value - k·u below low.

    Back: beyond neither limit by the deadband. Where u is missing the value stands alone.
    """
    margin = watch.k * np.nan_to_num(rows.u)
    upper, lower = rows.value + margin, rows.value - margin
    deadband = watch.rule.deadband
    kinds = np.full(len(rows.time), BETWEEN, np.int8)
    kinds[(upper < watch.high - deadband) & (lower > watch.low + deadband)] = FALSE
    kinds[rows.is_doubtful] = DOUBTFUL
    kinds[(upper > watch.high) | (lower < watch.low)] = TRUE
    kinds[rows.is_failed] = FAILED
    position = np.arange(len(kinds))
    tellable = np.maximum.accumulate(np.where(rows.is_failed, -1, position))
    return LevelRows(rows, watch, kinds, tellable)


def _judge_fault(rows: PointRows) -> FaultRows:
    kinds = np.full(len(rows.time), FALSE, np.int8)
    kinds[rows.is_doubtful] = DOUBTFUL
    kinds[rows.is_failed] = TRUE
    return FaultRows(rows, kinds)


def prepared(results: Results, *, with_late: bool) -> tuple[PointRows, Ints, list[str]]:
    """
    All rows by point and, within one, by time; the code of each row's point; the points' names.

    Args:
        results: rows of any points.
        with_late: keep rows that carry the test bit `late`.
    """
    codes, names = results.point_codes()
    tests = results.column("tests").astype(np.int64)
    time = results.column("time").astype(np.int64)
    order = np.lexsort((time, codes))
    if not with_late:
        order = order[(tests[order] & TEST_BIT["late"]) == 0]
    value = results.column("value").astype(np.float64)[order]
    u = results.column("u").astype(np.float64)[order]
    flag = results.column("flag").astype(np.int64)[order]
    rows = PointRows(
        time[order],
        np.clip(value, -LARGEST, LARGEST),
        np.clip(u, 0.0, LARGEST),
        np.isnan(value) | (flag == FAIL) | (flag == MISSING),
        flag,
        tests[order],
        None,
        None,
    )
    return rows, codes[order], names


def cut(
    rows: PointRows,
    first: int,
    stop: int,
    last: tuple[float | None, float | None],
    last_us: int | None = None,
) -> PointRows:
    """
    The rows first..stop-1, with the last value and u that could be judged before them, and the
    newest time before them [µs since 1970 UTC].
    """
    part = slice(first, stop)
    return PointRows(
        rows.time[part],
        rows.value[part],
        rows.u[part],
        rows.is_failed[part],
        rows.flag[part],
        rows.tests[part],
        *last,
        last_us,
    )


def failed_tests(bits: int) -> str:
    """Names of the failed tests in a bit set, in their fixed order."""
    return ", ".join(name for name, bit in TEST_BIT.items() if bits & bit) or "no value"


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
