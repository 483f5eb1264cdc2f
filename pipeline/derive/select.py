"""
Sorts a block of readings by channel and time, and decides between contradictions.

Of readings with one channel and time an identical repeat is dropped. Of different values the one
with the highest sequence counts (none is lowest), then the smallest received, then the one that
stands first; the winner is marked. The others are handed over beside it where they are asked
for: live, where every received value is shown to the alarms.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

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
    others: ChannelRows | None = None
    """Values that a winner contradicts: times not decreasing, all marked; None: none."""

    def __len__(self) -> int:
        return len(self.time)

    def take(self, rows: slice | Bools) -> ChannelRows:
        """The rows under a slice or mask, without `others`."""
        sequence = None if self.sequence is None else self.sequence[rows]
        return ChannelRows(self.time[rows], self.value[rows], self.contradicted[rows], sequence)


def select_channels(
    readings: Readings, channels: Collection[str], *, with_others: bool = False
) -> dict[str, ChannelRows]:
    """
    The readings of the named channels, one `ChannelRows` each; a channel without any is not in
    the dictionary.

    Args:
        readings: in any order.
        channels: those that are wanted.
        with_others: keep the values that lost against another of their time as `others`.
    """
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
    others: dict[str, ChannelRows] = {}
    if same.any():
        kept, contradicted, lost = _settled(readings, rows, same, value)
        if with_others and len(lost):
            marked = np.ones(len(lost), bool)
            columns = rows[lost], codes[lost], time[lost], value[lost], marked
            others = _by_channel(readings, names, *columns)
        rows, codes, time, value = rows[kept], codes[kept], time[kept], value[kept]
    found = _by_channel(readings, names, rows, codes, time, value, contradicted)
    return {name: replace(one, others=others.get(name)) for name, one in found.items()}


def _by_channel(
    readings: Readings,
    names: Sequence[str],
    rows: Ints,
    codes: Ints,
    time: Ints,
    value: Floats,
    contradicted: Bools,
) -> dict[str, ChannelRows]:
    """Columns that come by channel, cut into one `ChannelRows` each."""
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


def _settled(
    readings: Readings, rows: Ints, same: Bools, value: Floats
) -> tuple[Ints, Bools, Ints]:
    """
    Positions that stay, one of each channel and time; whether they were contradicted; positions
    of the values that contradict them, by channel, then time.
    """
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
    winner = winners[np.cumsum(first) - 1]
    lost = best[value[best] != value[winner]]
    return kept, contradicted[kept], lost
