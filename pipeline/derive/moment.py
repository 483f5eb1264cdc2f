"""
One reading caught on its way through the chain, with every column that the stages gave it.

The chain itself runs, from the state at the edge up to the reading: nothing is worked out anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.blocks import Readings, Results
from pipeline.derive.block import Block
from pipeline.derive.chain import run_chain
from pipeline.derive.gauges import Gauge, Plan, Segment
from pipeline.derive.select import select_channels
from pipeline.derive.series import NOTHING, Series, merged
from pipeline.derive.state import ChainState, GaugeState

Row = Mapping[str, float | int | str | None]
"""A row of a Results block by name of the column; time in µs, None for null."""

_SAME_UM_M, _SAME_SHARE = 1e-6, 1e-9


@dataclass(frozen=True, eq=False)
class Sample:
    """The value of a joined channel that a reading saw."""

    channel: str
    value: float
    age_s: float


@dataclass(frozen=True, eq=False)
class Moment:
    """A reading in the chain."""

    gauge: Gauge
    segment: Segment
    block: Block
    """Rows of the gauge within the segment up to the reading, which is the last one."""
    after: GaugeState
    """Of the gauge just after the reading."""
    joined: Mapping[str, Series]
    row: Row
    """What the chain gives for the reading."""

    @property
    def time_us(self) -> int:
        """When it was taken."""
        return int(self.block.time[-1])

    def column(self, name: str) -> float | None:
        """The reading's value of a stage's column; None: no such column, or nothing in it."""
        if name not in self.block.columns:
            return None
        value = float(self.block[name][-1])
        return None if np.isnan(value) else value

    def sample(self, channel: str | None) -> Sample | None:
        """The last value of a joined channel at or before the reading, however old it is."""
        if channel is None:
            return None
        series = self.joined.get(channel, NOTHING)
        place = int(np.searchsorted(series.time, self.time_us, side="right")) - 1
        if place < 0:
            return None
        age_s = (self.time_us - int(series.time[place])) * 1e-6
        return Sample(channel, float(series.value[place]), age_s)


def moment_of(
    readings: Readings, state: ChainState, plan: Plan, point: str, time_us: int
) -> Moment | None:
    """
    The reading of a point at a time; None where there is none.

    Args:
        readings: from the edge of `state` on; what is after the reading is not looked at.
        state: of the chain at that edge.
        plan: of `compile_plan`.
        point: id.
        time_us: of the reading, exact.
    """
    times = readings.column("time").astype(np.int64)
    until = readings.take(times <= time_us)
    mine = Plan(tuple(gauge for gauge in plan.gauges if gauge.point == point))
    seen: list[tuple[Gauge, Block]] = []
    results, after = run_chain(
        until, state, mine, watch=lambda gauge, block: seen.append((gauge, block))
    )
    for gauge, block in seen:
        if block.time[-1] == time_us:
            place = int(np.searchsorted(gauge.ends_us, time_us, side="right"))
            row = row_at(results, point, time_us)
            if row is None:
                continue
            state_after = after.gauges.get(gauge.key, GaugeState())
            segment = gauge.segments[place]
            joined = _joined(until, state, mine)
            return Moment(gauge, segment, block, state_after, joined, row)
    return None


def row_at(results: Results, point: str, time_us: int) -> Row | None:
    """The row of a point at a time [µs], or None."""
    codes, names = results.point_codes()
    if point not in names:
        return None
    times = results.column("time").astype(np.int64)
    rows = np.flatnonzero((codes == names.index(point)) & (times == time_us))
    if not len(rows):
        return None
    table = results.table.slice(int(rows[0]), 1)
    row: dict[str, float | int | str | None] = {}
    for name in table.schema.names:
        column = table.column(name)
        if pa.types.is_timestamp(column.type):
            column = column.cast(pa.int64())
        row[name] = column.to_pylist()[0]
    return row


def differences(found: Row, stored: Row) -> dict[str, tuple[object, object]]:
    """
    Columns in which two rows differ, with both values.

    Numbers are the same within 1e-6 of their unit or 1e-9 of their size: more than that no cutting
    of a stream can make.
    """
    differing: dict[str, tuple[object, object]] = {}
    for name in sorted(found.keys() | stored.keys()):
        a, b = found.get(name), stored.get(name)
        if a != b and not _is_same(a, b):
            differing[name] = (a, b)
    return differing


def _is_same(a: object, b: object) -> bool:
    if not isinstance(a, float) or not isinstance(b, float):
        return False
    return abs(a - b) <= max(_SAME_UM_M, _SAME_SHARE * abs(b))


def _joined(readings: Readings, state: ChainState, plan: Plan) -> dict[str, Series]:
    rows = select_channels(readings, plan.joined_channels)
    joined = {name: state.joined.get(name, NOTHING) for name in plan.joined_channels}
    for name, found in rows.items():
        joined[name] = merged(joined[name], Series(found.time, found.value))
    return joined
