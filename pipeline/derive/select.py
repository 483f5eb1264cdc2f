"""
Sorts a block of readings by channel and time, and decides between contradictions.

Of readings with one channel and time an identical repeat is dropped. Of different values the one
with the highest sequence counts (none is lowest), then the smallest received, then the one that
stands first; the winner is marked.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Bools, Floats, Ints, Readings

LARGEST_SEQUENCE = 2**53
"""From here on float64 does not tell neighbours apart."""


@dataclass(frozen=True, eq=False)
class ChannelRows:
    """Readings of one channel, times strictly increasing, shape (n,)."""

    time: Ints
    value: Floats
    contradicted: Bools
    sequence: Floats | None = None
    """NaN where the node sent none, or one that float64 cannot hold; None: none at all."""

    def __len__(self) -> int:
        return len(self.time)

    def take(self, rows: slice | Bools) -> ChannelRows:
        """The rows under a slice or mask."""
        sequence = None if self.sequence is None else self.sequence[rows]
        return ChannelRows(self.time[rows], self.value[rows], self.contradicted[rows], sequence)


def select_channels(readings: Readings, channels: Collection[str]) -> dict[str, ChannelRows]:
    """The readings of the named channels, one `ChannelRows` each; a channel without any is not
    in the dictionary."""
    codes, names = readings.channel_codes()
    time = readings.column("time").astype(np.int64)
    value = readings.column("value").astype(np.float64)
    wanted = np.array([name in channels for name in names], bool)
    rows = np.arange(len(codes))
    if not wanted.all():
        rows = np.flatnonzero(wanted[codes])
    if not len(rows):
        return {}
    codes, time, value = codes[rows], time[rows], value[rows]
    if not _is_ordered(codes, time):
        order = np.lexsort((time, codes))
        rows, codes, time, value = rows[order], codes[order], time[order], value[order]
    contradicted = np.zeros(len(rows), bool)
    same = (codes[1:] == codes[:-1]) & (time[1:] == time[:-1])
    if same.any():
        kept, contradicted = _settled(readings, rows, same, value)
        rows, codes, time, value = rows[kept], codes[kept], time[kept], value[kept]
    sequence = _sequence(readings)
    if sequence is not None:
        sequence = sequence[rows]
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    ends = np.append(starts[1:], len(codes))
    return {
        names[codes[a]]: ChannelRows(
            time[a:b], value[a:b], contradicted[a:b], None if sequence is None else sequence[a:b]
        )
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
    }


def _sequence(readings: Readings) -> Floats | None:
    column = readings.table.column("sequence")
    if column.null_count == len(column):
        return None
    sequence = readings.column("sequence").astype(np.int64)
    known = (sequence > -LARGEST_SEQUENCE) & (sequence < LARGEST_SEQUENCE)
    return np.where(known, sequence, np.nan)


def _is_ordered(codes: Ints, time: Ints) -> bool:
    """Whether each channel stands in one run with ascending times."""
    change = codes[1:] != codes[:-1]
    if not np.all(change | (time[1:] >= time[:-1])):
        return False
    heads = codes[np.flatnonzero(np.concatenate(([True], change)))]
    return len(np.unique(heads)) == len(heads)


def _settled(readings: Readings, rows: Ints, same: Bools, value: Floats) -> tuple[Ints, Bools]:
    """Positions that stay, one of each channel and time, and whether they were contradicted."""
    group = np.concatenate(([0], np.cumsum(~same)))
    shared = np.zeros(len(rows), bool)
    shared[1:] |= same
    shared[:-1] |= same
    tied = np.flatnonzero(shared)
    sequence = readings.column("sequence").astype(np.int64)[rows[tied]]
    received = readings.column("received").astype(np.int64)[rows[tied]]
    # ~x reverses the order of integers without the overflow of -x at the smallest one.
    best = tied[np.lexsort((rows[tied], received, ~sequence, group[tied]))]
    first = np.ones(len(best), bool)
    first[1:] = group[best][1:] != group[best][:-1]
    winners = best[first]
    starts = np.flatnonzero(np.diff(group[tied], prepend=-1))
    spread = np.maximum.reduceat(value[tied], starts) != np.minimum.reduceat(value[tied], starts)
    kept = np.sort(np.concatenate((np.flatnonzero(~shared), winners)))
    contradicted = np.zeros(len(rows), bool)
    contradicted[winners] = spread
    return kept, contradicted[kept]
