"""
Flat line: all values of a window that ends at a reading lie within a tolerance.

A window that holds values further apart is proved not flat even before it is full; one that does
not is flat once it is full, and cannot be judged before. Kept from block to block are only the
values that can still be the extremes of a window: a stuck gauge costs one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.blocks import Bools, Floats, Ints
from pipeline.derive.gauges import Limits
from pipeline.derive.state import GaugeState


def check_flat_line(
    time: Ints, value: Floats, state: GaugeState, limits: Limits
) -> tuple[Bools, Bools, GaugeState]:
    """
    Flat and not-to-be-judged rows of a block, and the state after it.

    Args:
        time, value: rows with a number, ascending, shape (n,), n at least 1.
        state: with `first_time` set.
        limits: with `flat_us` set.

    Returns:
        Two masks of shape (n,) that exclude each other, and the state with its new extremes.
    """
    width = limits.flat_us or 0
    times = np.concatenate((np.array(state.flat_time, np.int64), time))
    values = np.concatenate((np.array(state.flat_value, np.float64), value))
    before = len(times) - len(time)
    start = np.searchsorted(times, time - width, side="left")
    within = _stays_within(times, values, start, before, limits.flat_tolerance)
    first = time[0] if state.first_time is None else state.first_time
    is_full = first <= time - width
    after = _with_extremes(times, values, int(start[-1]), state)
    return within & is_full, within & ~is_full, after


def _stays_within(times: Ints, values: Floats, start: Ints, before: int, tolerance: float) -> Bools:
    """Whether the values from `start` to each row after the first `before` are within."""
    last = np.arange(before, len(values))
    # The newest step that is too large on its own decides most rows without looking further.
    steps = np.flatnonzero(np.abs(np.diff(values)) > tolerance)
    place = np.searchsorted(steps, last, side="left") - 1
    newest = np.where(place >= 0, steps[np.maximum(place, 0)] if len(steps) else -1, -1)
    within = newest < start
    rows = np.flatnonzero(within)
    if tolerance > 0.0 and len(rows):
        span = _spans(values, start[rows], last[rows])
        within[rows] = span <= tolerance
    return within


def _spans(values: Floats, start: Ints, last: Ints) -> Floats:
    """Largest minus smallest of values[start..last], ends included, by doubling windows."""
    length = last - start + 1
    level = np.floor(np.log2(length)).astype(np.int64)
    span = np.empty(len(start))
    high = low = values
    for k in range(int(level.max()) + 1):
        if k:
            half = 1 << (k - 1)
            high = np.maximum(high[:-half], high[half:])
            low = np.minimum(low[:-half], low[half:])
        rows = np.flatnonzero(level == k)
        a, b = start[rows], last[rows] - (1 << k) + 1
        span[rows] = np.maximum(high[a], high[b]) - np.minimum(low[a], low[b])
    return span


def _with_extremes(times: Ints, values: Floats, start: int, state: GaugeState) -> GaugeState:
    times, values = times[start:], values[start:]
    later_high = np.maximum.accumulate(values[::-1])[::-1]
    later_low = np.minimum.accumulate(values[::-1])[::-1]
    keeps = np.ones(len(values), bool)
    keeps[:-1] = (values[:-1] > later_high[1:]) | (values[:-1] < later_low[1:])
    return replace(
        state, flat_time=tuple(times[keeps].tolist()), flat_value=tuple(values[keeps].tolist())
    )
