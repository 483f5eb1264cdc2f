"""
Tests on a point's value, and the flag of each row (QARTOD: 4 before 3 before 2 before 1).

- 4 fail: an electrical impossibility (open, short, rail, not a number); the value is null.
- 3 suspect: gross range, rate of change, flat line, gap, beyond range, contradiction, condensation,
  calibration out of date, and a correction that could not be made (uncompensated, companion
  missing): the number stands, but for another quantity than it should.
- 2 not evaluated: a test that the point requires could not run (gap and rate at the first
  reading, rate after a gap, after a seam and after a failed reading, flat line until its window
  is full of values that do not differ, all of these for late rows), or the value cannot be
  judged yet (relative_only before the first zero, warm_up).
- 1 pass: every required test ran, and none failed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.blocks import (
    FAIL,
    NOT_EVALUATED,
    PASS,
    SUSPECT,
    TEST_BIT,
    Bools,
    Floats,
    Ints,
)
from pipeline.derive.block import FAILING, Block, Context, Tests
from pipeline.derive.flat import check_flat_line
from pipeline.derive.gauges import Limits
from pipeline.derive.state import GaugeState

SUSPECTING = sum(
    TEST_BIT[name]
    for name in (
        "gross_range",
        "rate_of_change",
        "flat_line",
        "gap",
        "beyond_range",
        "contradiction",
        "condensation",
        "calibration_expired",
        "uncompensated",
        "companion_missing",
    )
)
UNJUDGED = TEST_BIT["relative_only"] | TEST_BIT["warm_up"]


def stage_quality(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """Adds the bits of the tests on the value and `flag`."""
    limits = context.gauge.limits
    value = block["value"]
    tests, unrun = block.tests.copy(), block.unrun.copy()
    tests[_check_gross_range(value, limits)] |= TEST_BIT["gross_range"]
    after = state
    if context.is_late:
        tests |= TEST_BIT["late"]
        unrun |= True
    elif len(block):
        after = _check_in_order(block.time, value, tests, unrun, state, context)
    flag = flags_of(tests, unrun)
    return block.with_columns(tests=tests, unrun=unrun, flag=flag.astype(np.float64)), after


def flags_of(tests: Tests, unrun: Bools) -> Ints:
    """QARTOD flag of each row from its failed tests and whether a required one did not run."""
    flag = np.full(len(tests), PASS, np.int64)
    flag[unrun | (tests & UNJUDGED != 0)] = NOT_EVALUATED
    flag[tests & SUSPECTING != 0] = SUSPECT
    flag[tests & FAILING != 0] = FAIL
    return flag


def _check_gross_range(value: Floats, limits: Limits) -> Bools:
    low = float("-inf") if limits.gross_low is None else limits.gross_low
    high = float("inf") if limits.gross_high is None else limits.gross_high
    return (value < low) | (value > high)


def _check_in_order(
    time: Ints, value: Floats, tests: Tests, unrun: Bools, state: GaugeState, context: Context
) -> GaugeState:
    """Gap, rate of change and flat line; fills `tests` and `unrun`, returns the memory."""
    limits = context.gauge.limits
    _check_gap(time, tests, unrun, state, limits)
    rows = np.flatnonzero(np.isfinite(value))
    if limits.rate_per_s is not None:
        _check_rate(time[rows], value[rows], rows, tests, unrun, state, context)
    after = replace(state, last_time=int(time[-1]))
    if len(rows):
        first = int(time[rows[0]]) if state.first_time is None else state.first_time
        after = replace(
            after,
            watched_time=int(time[rows[-1]]),
            watched=float(value[rows[-1]]),
            first_time=first,
        )
        if limits.flat_us is not None:
            is_flat, is_unrun, after = check_flat_line(time[rows], value[rows], after, limits)
            tests[rows[is_flat]] |= TEST_BIT["flat_line"]
            unrun[rows[is_unrun]] = True
    return after


def _check_gap(time: Ints, tests: Tests, unrun: Bools, state: GaugeState, limits: Limits) -> None:
    if state.last_time is None:
        unrun[0] = True
    before = time[0] if state.last_time is None else state.last_time
    tests[np.diff(time, prepend=before) > limits.gap_us] |= TEST_BIT["gap"]


def _check_rate(
    time: Ints,
    value: Floats,
    rows: Ints,
    tests: Tests,
    unrun: Bools,
    state: GaugeState,
    context: Context,
) -> None:
    if not len(rows):
        return
    limits = context.gauge.limits
    known = state.watched_time is not None and state.watched_time >= context.segment.start_us
    before = state.watched_time if known and state.watched_time is not None else time[0]
    start = state.watched if known and state.watched is not None else value[0]
    step = np.diff(time, prepend=before)
    change = np.abs(np.diff(value, prepend=start))
    could = (step > 0) & (step <= limits.gap_us)
    limit = np.inf if limits.rate_per_s is None else limits.rate_per_s
    tests[rows[could & (change > limit * (step * 1e-6))]] |= TEST_BIT["rate_of_change"]
    unrun[rows[~could]] = True
