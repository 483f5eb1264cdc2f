"""
Evaluation of a batch of results: a columnar look first, then only the alarms that can change.

A quiet alarm whose point stayed within its limits costs one comparison in an array.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.alarms.condition import Phase, observe, walk
from pipeline.alarms.judged import PointRows, cut, judge, prepared
from pipeline.alarms.rules import RuleSet, Watch
from pipeline.alarms.state import AlarmRecord, AlarmState, PointMemory, fresh
from pipeline.alarms.story import raised, returned
from pipeline.alarms.transition import Transition
from pipeline.blocks import Bools, Floats, Ints, Results

NEVER = PointMemory(0, 0)


@dataclass(frozen=True)
class Segments:
    """Where each watched point's rows lie in a block ordered by point."""

    point: Ints
    """Position in `RuleSet.points`, shape (m,), each once."""
    first: Ints
    stop: Ints


def evaluate(
    results: Results, now_us: int, state: AlarmState, rules: RuleSet
) -> tuple[tuple[Transition, ...], AlarmState]:
    """
    Take one batch of results through the rules.

    Rows marked `late` are passed over: the seal hands them back as excursions. A point is heard
    when a row is newer than all before. Cutting a stream of rows differently gives the same
    activations.

    Args:
        results: rows of any points, each point's in time order.
        now_us: when the batch was received, by the station [µs since 1970 UTC].
        state: as the call before returned it.
        rules: what to watch; rows of other points are ignored.

    Returns:
        Transitions in the order of the rules and, within one alarm, of time; the next state.
    """
    state = replace(state, clock=state.clock.advanced(now_us))
    rows, codes, names = prepared(results, with_late=False)
    segments = _segments(codes, names, rules)
    heard = _heard(rows, segments, state, rules)
    transitions, records = _end_silence(heard, now_us, state, rules)
    for watch, part in _busy(rows, segments, state, rules):
        record = state.alarms.get(watch.alarm) or fresh(watch, state.clock.steady_us)
        told, record = _walked(record, watch, part, now_us, state.clock.steady_us)
        transitions += told
        records[watch.alarm] = record
    state = state.with_records(records)
    return tuple(transitions), _remembered(state, heard, rows, segments, rules, now_us)


def _heard(
    rows: PointRows, segments: Segments, state: AlarmState, rules: RuleSet
) -> dict[str, int]:
    """Points that have a newer reading than ever before, and its time [µs since 1970 UTC]."""
    found: dict[str, int] = {}
    newest = rows.time[segments.stop - 1]
    for place, newest_us in zip(segments.point.tolist(), newest.tolist(), strict=True):
        before_us = state.points.get(rules.points[place], NEVER).newest_us
        if before_us is None or newest_us > before_us:
            found[rules.points[place]] = newest_us
    return found


def _end_silence(
    heard: Iterable[str], now_us: int, state: AlarmState, rules: RuleSet
) -> tuple[list[Transition], dict[str, AlarmRecord]]:
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    for point in heard:
        for watch in rules.silent.get(point, ()):
            record = state.alarms.get(watch.alarm)
            if record is None or record.condition.phase is Phase.CLEAR:
                continue
            delays = replace(watch.delays, off_us=0)
            condition, change = observe(
                record.condition, False, now_us, state.clock.steady_us, delays, ""
            )
            record = replace(record, condition=condition)
            if change is not None:
                told, record = returned(record, watch, change, now_us, (None, None))
                transitions.append(told)
            records[watch.alarm] = record
    return transitions, records


def _segments(codes: Ints, names: list[str], rules: RuleSet) -> Segments:
    position = {point: i for i, point in enumerate(rules.points)}
    first = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]]) if len(codes) else codes[:0]
    stop = np.append(first[1:], len(codes))[: len(first)]
    point = np.array([position.get(names[code], -1) for code in codes[first]], np.int64)
    watched = point >= 0
    return Segments(point[watched], first[watched], stop[watched])


def _busy(
    rows: PointRows, segments: Segments, state: AlarmState, rules: RuleSet
) -> Iterator[tuple[Watch, PointRows]]:
    """The row-driven watches that can change, each with its point's rows."""
    if not len(segments.point) or not rules.rows:
        return
    segment_of = np.full(len(rules.points), -1, np.int64)
    segment_of[segments.point] = np.arange(len(segments.point))
    segment = segment_of[rules.row_point]
    is_quiet = np.array([_is_quiet(state.alarms.get(watch.alarm)) for watch in rules.rows])
    can_change = (segment >= 0) & (~is_quiet | _is_touched(rows, segments, segment, rules))
    for i in np.flatnonzero(can_change).tolist():
        watch, place = rules.rows[i], int(segment[i])
        memory = state.points.get(watch.point, NEVER)
        last = (memory.value, memory.u)
        first, stop = int(segments.first[place]), int(segments.stop[place])
        yield watch, cut(rows, first, stop, last, memory.newest_us)


def _is_quiet(record: AlarmRecord | None) -> bool:
    return record is None or record.condition.phase is Phase.CLEAR


def _is_touched(rows: PointRows, segments: Segments, segment: Ints, rules: RuleSet) -> Bools:
    """Per row-driven watch: does any row of its point exceed a limit, or fail?"""
    u = np.nan_to_num(rows.u)
    value_high = np.where(rows.is_failed, -np.inf, rows.value)
    value_low = np.where(rows.is_failed, np.inf, rows.value)
    any_failed = _reduced(np.maximum, rows.is_failed.astype(np.float64), segments) > 0
    is_fault = np.array([watch.rule.kind == "gauge_fault" for watch in rules.rows])
    touched = is_fault & any_failed[segment]
    for k in np.unique(rules.row_k):
        upper = _reduced(np.maximum, value_high + k * u, segments)[segment]
        lower = _reduced(np.minimum, value_low - k * u, segments)[segment]
        touched |= (rules.row_k == k) & ((upper > rules.row_high) | (lower < rules.row_low))
    return touched


def _reduced(ufunc: np.ufunc, column: Floats, segments: Segments) -> Floats:
    """`ufunc` over each segment; rows between watched segments do not count."""
    edges = np.column_stack((segments.first, segments.stop)).ravel()
    padded = np.append(column, column[-1:])  # a stop may be the end, which reduceat refuses
    return np.asarray(ufunc.reduceat(padded, edges)[::2], np.float64)


def _walked(
    record: AlarmRecord, watch: Watch, part: PointRows, now_us: int, steady_us: int
) -> tuple[list[Transition], AlarmRecord]:
    judged = judge(part, watch)
    condition, changes = walk(record.condition, judged, watch.delays, steady_us)
    transitions: list[Transition] = []
    for change in changes:
        if change.is_raise:
            told, record = raised(record, watch, change, now_us)
        else:
            told, record = returned(record, watch, change, now_us, _reading(part, change.row))
        transitions.append(told)
    return transitions, replace(record, condition=condition)


def _reading(part: PointRows, row: int | None) -> tuple[float | None, float | None]:
    if row is None:
        return None, None
    value, u = float(part.value[row]), float(part.u[row])
    return None if np.isnan(value) else value, None if np.isnan(u) else u


def _remembered(
    state: AlarmState,
    heard: Mapping[str, int],
    rows: PointRows,
    segments: Segments,
    rules: RuleSet,
    now_us: int,
) -> AlarmState:
    """The state with the arrival at each point, and its last row that could be judged."""
    points = dict(state.points)
    for point, newest_us in heard.items():
        old = points.get(point, NEVER)
        points[point] = PointMemory(state.clock.steady_us, now_us, old.value, old.u, newest_us)
    if not len(segments.point):
        return replace(state, points=points)
    position = np.where(rows.is_failed, -1, np.arange(len(rows.time))).astype(np.float64)
    last = _reduced(np.maximum, position, segments).astype(np.int64)
    for place, row in zip(segments.point.tolist(), last.tolist(), strict=True):
        if row >= 0:
            point = rules.points[place]
            value, u = _reading(rows, row)
            points[point] = replace(points.get(point, NEVER), value=value, u=u)
    return replace(state, points=points)
