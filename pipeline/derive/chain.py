"""
The chain: readings and a state in, results and a state out; live, seal and rebuild run this.

Sealing (`live=False`) the readings are all of a window and the state is that of its edge. Live,
blocks come as they arrive, and rows not newer than the last of their channel advance no memory.
Those older than it carry the bit `late` and are left to the seal. Another value at a time that
has its value already carries `contradiction` alone: of a node whose clock stands still the seal
keeps one value a time, so whoever watches live is shown every value that came.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from pipeline.blocks import TEST_BIT, Readings, Results
from pipeline.derive.assemble import Part, assembled
from pipeline.derive.block import Block, Context, Stage
from pipeline.derive.budget import stage_uncertainty
from pipeline.derive.climate import stage_climate
from pipeline.derive.combine import combine
from pipeline.derive.companion import stage_companion
from pipeline.derive.correction import stage_correction
from pipeline.derive.distance import state_distance
from pipeline.derive.gauges import Gauge, Plan, Segment
from pipeline.derive.moisture import advanced, stage_moisture
from pipeline.derive.plan import compile_plan
from pipeline.derive.quality import stage_quality
from pipeline.derive.select import ChannelRows, select_channels
from pipeline.derive.series import (
    KEPT_US,
    NOTHING,
    Joined,
    Series,
    edge_memory,
    live_memory,
    merged,
)
from pipeline.derive.shunt import stage_shunt
from pipeline.derive.state import STATE_VERSION, ChainState, GaugeState
from pipeline.derive.wiring import stage_linear, stage_signal
from pipeline.errors import ChainError, StateVersionError

__all__ = [
    "LINEAR_STAGES",
    "SHUNT_STAGES",
    "STAGES",
    "STRAIN_STAGES",
    "ChainState",
    "Plan",
    "compile_plan",
    "initial_state",
    "run_chain",
    "stages_of",
    "state_distance",
]

STRAIN_STAGES: Mapping[str, Stage] = {
    "signal": stage_signal,
    "climate": stage_climate,
    "moisture": stage_moisture,
    "companion": stage_companion,
    "correction": stage_correction,
    "uncertainty": stage_uncertainty,
    "quality": stage_quality,
}
LINEAR_STAGES: Mapping[str, Stage] = {"linear": stage_linear, "quality": stage_quality}
SHUNT_STAGES: Mapping[str, Stage] = {"shunt": stage_shunt, "quality": stage_quality}
STAGES: Mapping[str, Stage] = {**STRAIN_STAGES, **LINEAR_STAGES, **SHUNT_STAGES}
"""Every stage by name; strain gauges, linear sensors and shunt checks each run their own, in this
order."""

Watch = Callable[[Gauge, Block], None]
"""Shown the finished rows of a gauge within one segment, with every column that a stage added;
for `explain` and `zeroing`, which must change nothing."""

_FAULTS = (ArithmeticError, AttributeError, LookupError, MemoryError, TypeError, ValueError)


def initial_state(plan: Plan) -> ChainState:
    """The state before the first reading of a structure."""
    del plan  # a state names gauges only once they have spoken; the argument keeps the contract
    return ChainState()


def run_chain(
    readings: Readings,
    state: ChainState,
    plan: Plan,
    *,
    live: bool = False,
    watch: Watch | None = None,
) -> tuple[Results, ChainState]:
    """
    Results of a block of readings, by point, then time, and the state after it.

    Args:
        readings: in the channels' own units, in the order of arrival. Channels that the plan does
            not know give no rows; nor does a reading while its gauge is not placed.
        state: of the edge before the window, or after the block before.
        plan: of `compile_plan`.
        live: False: the complete window; its order does not matter. True: the next block.
        watch: is shown the rows with all that lies between a reading and its result.

    Returns:
        One row a reading (identical repeats once; of contradictions the one that `select`
        chooses and, live, behind it each of the others), and the state. Cut anywhere between two
        times and run live in order, the results are the same within 1e-9.

    Raises:
        StateVersionError: the state is of another version.
        ChainError: a stage failed, which is a fault of the software.
    """
    if state.version != STATE_VERSION:
        raise StateVersionError("chain state", state.version, STATE_VERSION)
    if not len(readings):
        return Results.empty(), state
    with np.errstate(invalid="ignore", divide="ignore", over="ignore", under="ignore"):
        try:
            rows = select_channels(readings, plan.channels, with_others=live)
        except _FAULTS as fault:
            raise ChainError("select", "all", len(readings)) from fault
        joined = _joined(state.joined, rows, plan)
        parts: list[Part] = []
        gauges: dict[str, GaugeState] = {}
        for gauge in plan.gauges:
            before = state.gauges.get(gauge.key)
            found = rows.get(gauge.channel)
            if found is not None:
                added, before = _run_gauge(gauge, found, before or GaugeState(), joined)
                parts += added
                if watch is not None:
                    for part in added:
                        watch(gauge, part.block)
            if before is not None:
                gauges[gauge.key] = before
        newest = int(np.max(readings.column("time").astype(np.int64)))
        made, combined = combine(parts, state.combined, plan.elements, newest_us=newest, live=live)
        after = replace(_remembered(gauges, joined, rows, plan, newest, live), combined=combined)
        return assembled([*parts, *made]), after


def _joined(known: Joined, rows: Mapping[str, ChannelRows], plan: Plan) -> dict[str, Series]:
    """Joined channels with what the block brings."""
    result: dict[str, Series] = {}
    for channel in plan.joined_channels:
        series, found = known.get(channel, NOTHING), rows.get(channel)
        if found is not None:
            series = merged(series, Series(found.time, found.value))
        if len(series):
            result[channel] = series
    return result


def _run_gauge(
    gauge: Gauge, rows: ChannelRows, state: GaugeState, joined: Joined
) -> tuple[list[Part], GaugeState]:
    """
    Parts of one gauge: rows that are not newer first, then those that advance it, then values
    that contradict one of these.
    """
    parts: list[Part] = []
    before, others = state, rows.others
    if state.last_time is not None and rows.time[0] <= state.last_time:
        count = int(np.searchsorted(rows.time, state.last_time, side="right"))
        parts += _run_aside(gauge, rows.take(slice(0, count)), before, state, joined)
        rows = rows.take(slice(count, None))
    for segment, some in _by_segment(gauge, rows):
        block, state = _run_stages(some, state, Context(gauge, segment, joined))
        state = replace(state, last_value=float(some.value[-1]))
        parts.append(Part(gauge.point, gauge.quantity, block, segment))
    if others is not None:
        parts += _run_aside(gauge, others, before, state, joined)
    return parts, state


def _run_aside(
    gauge: Gauge, rows: ChannelRows, before: GaugeState, state: GaugeState, joined: Joined
) -> list[Part]:
    """
    Parts of rows that advance nothing: those that are late against `before`, and those at a time
    that has its value already, without an identical repeat of the last of `before`.
    """
    last_us = np.iinfo(np.int64).min if before.last_time is None else before.last_time
    at_last = rows.time == last_us
    contradicted = rows.contradicted | (at_last & (rows.value != before.last_value))
    rows = replace(rows, contradicted=contradicted, others=None)
    is_late = rows.time < last_us
    is_other = ~is_late & ~(at_last & (rows.value == before.last_value))
    parts: list[Part] = []
    for chosen, is_contradicting in ((is_late, False), (is_other, True)):
        for segment, some in _by_segment(gauge, rows.take(chosen)):
            context = Context(
                gauge, segment, joined, is_late=True, is_contradicting=is_contradicting
            )
            block, _ = _run_stages(some, state, context)
            parts.append(Part(gauge.point, gauge.quantity, block, segment, is_aside=True))
    return parts


def _by_segment(gauge: Gauge, rows: ChannelRows) -> list[tuple[Segment, ChannelRows]]:
    """Rows of each segment that has any; rows outside all segments are left out."""
    found: list[tuple[Segment, ChannelRows]] = []
    if not len(rows):
        return found
    first = int(np.searchsorted(gauge.ends_us, rows.time[0], side="right"))
    last = int(np.searchsorted(gauge.ends_us, rows.time[-1], side="right"))
    for segment in gauge.segments[first : last + 1]:
        a = int(np.searchsorted(rows.time, segment.start_us))
        b = int(np.searchsorted(rows.time, segment.end_us))
        if b > a:
            whole = a == 0 and b == len(rows)
            found.append((segment, rows if whole else rows.take(slice(a, b))))
    return found


def stages_of(segment: Segment) -> Mapping[str, Stage]:
    """The stages that rows of a segment go through, in their order."""
    if segment.strain is not None:
        return STRAIN_STAGES
    return LINEAR_STAGES if segment.linear is not None else SHUNT_STAGES


def _run_stages(rows: ChannelRows, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    tests = np.where(rows.contradicted, TEST_BIT["contradiction"], 0).astype(np.int32)
    columns = {"reading": rows.value}
    if rows.sequence is not None:
        columns["sequence"] = rows.sequence
    block = Block(rows.time, tests, np.zeros(len(rows), bool), columns)
    for name, stage in stages_of(context.segment).items():
        try:
            block, state = stage(block, state, context)
        except _FAULTS as fault:
            raise ChainError(name, context.gauge.key, len(rows)) from fault
    return block, state


def _remembered(
    gauges: dict[str, GaugeState],
    joined: Mapping[str, Series],
    rows: Mapping[str, ChannelRows],
    plan: Plan,
    newest_us: int,
    live: bool,
) -> ChainState:
    """
    The state after a block: films are advanced before the humidity they need is let go, and
    gauges that are gone are forgotten.
    """
    kept = dict(gauges)
    for gauge in plan.gauges:
        gone_us = newest_us - KEPT_US if live else newest_us
        if gauge.segments[-1].end_us <= gone_us:
            kept.pop(gauge.key, None)
        elif gauge.has_film:
            until = _let_go_us(gauge, joined, rows) if live else newest_us
            before = kept.get(gauge.key, GaugeState())
            if before.film is None or before.film.time < until:
                film = advanced(before.film, gauge, joined, until)
                if film is not before.film:
                    kept[gauge.key] = replace(before, film=film)
    if not live:
        edge = {n: edge_memory(s, newest_us, plan.longest_age_us) for n, s in joined.items()}
        return ChainState(gauges=kept, joined={n: s for n, s in edge.items() if len(s)})
    memory = {n: live_memory(s) if n in rows else s for n, s in joined.items()}
    return ChainState(gauges=kept, joined=memory)


def _let_go_us(gauge: Gauge, joined: Joined, rows: Mapping[str, ChannelRows]) -> int:
    """Newest time whose humidity will not be kept any more."""
    names = {segment.joins.humidity for segment in gauge.segments}
    times = [joined[n].time[-1] for n in names if n and n in joined and n in rows]
    return int(max(times)) - KEPT_US if times else 0
