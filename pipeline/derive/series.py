"""
Values that are joined by time: the last one not older than a stated age, never from the future.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats, Ints

KEPT_US = 12 * 3600 * 1_000_000
"""Live, so much of a channel is kept, for a node that was offline and sends its backlog."""
WHOLE_US = 900 * 1_000_000
"""Live, the newest part is kept whole; older values are thinned."""
THINNED_US = 10 * 1_000_000
"""Of older values the last one in each span of this length is kept."""


@dataclass(frozen=True, eq=False)
class Series:
    """Values of one channel; times [µs] strictly increasing, values finite, shape (n,)."""

    time: Ints
    value: Floats

    def __len__(self) -> int:
        return len(self.time)


NOTHING = Series(np.empty(0, np.int64), np.empty(0))

Joined = Mapping[str, Series]


def last_value(series: Series, time: Ints, age_us: int) -> Floats:
    """The last value at or before each time and not older than `age_us`; NaN if there is none."""
    if not len(series):
        return np.full(len(time), np.nan)
    place = np.searchsorted(series.time, time, side="right") - 1
    found = np.maximum(place, 0)
    fresh = (place >= 0) & (time - series.time[found] <= age_us)
    return np.where(fresh, series.value[found], np.nan)


def joined_value(joined: Joined, channel: str | None, time: Ints, age_us: int) -> Floats:
    """`last_value` of a channel by name; NaN where the channel is None or unknown."""
    if channel is None:
        return np.full(len(time), np.nan)
    return last_value(joined.get(channel, NOTHING), time, age_us)


def merged(old: Series, new: Series) -> Series:
    """Both in the order of time; of two values at one time the old one stays."""
    if not len(new):
        return old
    if not len(old):
        return new
    time = np.concatenate((old.time, new.time))
    value = np.concatenate((old.value, new.value))
    if new.time[0] <= old.time[-1]:
        order = np.argsort(time, kind="stable")
        time, value = time[order], value[order]
        first = np.ones(len(time), bool)
        first[1:] = time[1:] != time[:-1]
        time, value = time[first], value[first]
    return Series(time, value)


def live_memory(series: Series) -> Series:
    """What a later block can need: `KEPT_US` of it, thinned but for the newest `WHOLE_US`."""
    newest = series.time[-1]
    start = int(np.searchsorted(series.time, newest - KEPT_US))
    whole = int(np.searchsorted(series.time, newest - WHOLE_US))
    span = series.time[start : whole + 1] // THINNED_US
    kept = np.flatnonzero(span[1:] != span[:-1]) + start
    if len(kept) == whole - start and start == 0:
        return series
    rows = np.concatenate((kept, np.arange(whole, len(series))))
    return Series(series.time[rows], series.value[rows])


def edge_memory(series: Series, newest_us: int, age_us: int) -> Series:
    """What a join after the edge of a window can need: the last value, unless it is too old."""
    if not len(series) or newest_us - series.time[-1] > age_us:
        return NOTHING
    return Series(series.time[-1:], series.value[-1:])
