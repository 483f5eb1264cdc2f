"""
Excursions in sealed results, and what of them the live evaluation had missed.

A seal sees readings that came late in their place; what it finds is applied as a finding.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import msgspec
import numpy as np

from pipeline.alarms.condition import Change, Condition, Evidence, Phase, walk
from pipeline.alarms.judged import LevelRows, PointRows, cut, judge, prepared
from pipeline.alarms.lifecycle import Event
from pipeline.alarms.rules import RuleSet, Watch
from pipeline.alarms.state import (
    ACTIVATIONS_KEPT,
    Activation,
    AlarmRecord,
    AlarmState,
    find_watch,
)
from pipeline.alarms.story import (
    blank,
    crossing,
    raised,
    reason,
    return_event,
    step,
    with_activation,
)
from pipeline.alarms.transition import Crossing, Transition
from pipeline.blocks import Results


@dataclass(frozen=True)
class Excursion:
    """A condition that was present from `occurred_us` until `until_us` [µs since 1970 UTC]."""

    alarm: str
    occurred_us: int
    until_us: int
    """First reading of its return; the last row when it had not returned."""
    value: float | None
    """Its furthest value, in the point's unit; None for gauge faults."""
    u: float | None
    """Of that value, U95/2."""
    limit: float | None
    crossing: Crossing
    detail: str

    def to_facts(self) -> dict[str, Any]:
        """Plain JSON-able values by name."""
        facts: dict[str, Any] = msgspec.to_builtins(self)
        return facts

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> Excursion:
        """The excursion that `to_facts` wrote; `msgspec.ValidationError` names what is wrong."""
        return msgspec.convert(facts, cls)


def excursions(results: Results, rules: RuleSet) -> tuple[Excursion, ...]:
    """
    Every excursion of level and gauge-fault rules that lasted for its on-delay, or whose gauge
    failed while it was pending.

    Starts from normal: an excursion that began before the first row counts from the first row.

    Args:
        results: sealed rows of any points; the test bit `late` makes no difference here.
        rules: what to watch.

    Returns:
        In the order of the rules and, within one alarm, of time.
    """
    rows, codes, names = prepared(results, with_late=True)
    found: list[Excursion] = []
    if not len(codes):
        return ()
    first = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]]).tolist()
    bounds = {
        names[codes[start]]: (start, stop)
        for start, stop in zip(first, [*first[1:], len(codes)], strict=True)
    }
    for watch in rules.rows:
        if watch.point in bounds:
            found += _of_point(cut(rows, *bounds[watch.point], (None, None)), watch)
    return tuple(found)


def apply_excursion(
    excursion: Excursion,
    now_us: int,
    state: AlarmState,
    rules: RuleSet,
    *,
    retrospective: bool = False,
) -> tuple[tuple[Transition, ...], AlarmState]:
    """
    Raise an excursion that nobody was told of; one that overlaps a journalled one adds nothing.

    What is pending and part of it is raised for good. Otherwise it occurred and returned, or, if
    the condition is there for another reason, it is a re-alarm. With `ACTIVATIONS_KEPT` newer
    activations on record an older one cannot be recognised any more and is told, maybe again.

    Args:
        excursion: as `excursions` returned it.
        now_us: when it was found, by the station [µs since 1970 UTC].
        state: as the call before returned it.
        rules: as configured; an alarm that is no longer in them adds nothing.
        retrospective: found by a rebuild rather than by a seal after late readings.
    """
    state = replace(state, clock=state.clock.advanced(now_us))
    watch = find_watch(excursion.alarm, state, rules)
    record = state.alarms.get(excursion.alarm)
    if watch is None or record is None or record.is_removed:
        return (), state
    if any(_overlap(activation, excursion) for activation in record.activations):
        widened = tuple(_widened(activation, excursion) for activation in record.activations)
        record = replace(record, activations=widened)
        return (), state.with_records({record.alarm: record})
    transitions, record = _found(excursion, now_us, record, watch)
    marked = tuple(
        replace(told, late=not retrospective, retrospective=retrospective) for told in transitions
    )
    return marked, state.with_records({record.alarm: record})


def _of_point(rows: PointRows, watch: Watch) -> list[Excursion]:
    judged = judge(rows, watch)
    _, changes = walk(Condition(), judged, watch.delays, 0)
    found: list[Excursion] = []
    raise_change: Change | None = None
    for change in [*changes, None]:
        if change is not None and change.is_raise:
            raise_change = change
        elif raise_change is not None:
            until_us = int(rows.time[-1]) if change is None else change.occurred_us
            found.append(_excursion(judged, raise_change, until_us, watch))
            raise_change = None
    return found


def _excursion(judged: object, change: Change, until_us: int, watch: Watch) -> Excursion:
    evidence = change.evidence
    if isinstance(judged, LevelRows):
        evidence = _furthest(judged, evidence, change.occurred_us, until_us)
    return Excursion(
        watch.alarm,
        change.occurred_us,
        until_us,
        evidence.value,
        evidence.u,
        evidence.limit,
        crossing(watch, evidence),
        "; ".join(part for part in (reason(watch, evidence), change.why) if part),
    )


def _furthest(judged: LevelRows, evidence: Evidence, occurred_us: int, until_us: int) -> Evidence:
    """The evidence with the furthest value of the whole excursion."""
    time = judged.time
    inside = (time >= occurred_us) & (time <= until_us) & ~judged.rows.is_failed
    rows = np.flatnonzero(inside)
    value = judged.rows.value[rows]
    for place in (np.argmax(value), np.argmin(value)) if len(rows) else ():
        row = int(rows[place])
        evidence = judged.gather(evidence, row, row)
    return evidence


def _overlap(activation: Activation, excursion: Excursion) -> bool:
    is_before = activation.until_us is not None and activation.until_us < excursion.occurred_us
    return not is_before and activation.occurred_us <= excursion.until_us


def _widened(activation: Activation, excursion: Excursion) -> Activation:
    """A journalled activation grown by what the seal knows of it; an open one stays open."""
    if not _overlap(activation, excursion):
        return activation
    until_us = activation.until_us
    return Activation(
        min(activation.occurred_us, excursion.occurred_us),
        None if until_us is None else max(until_us, excursion.until_us),
    )


def _found(
    excursion: Excursion, now_us: int, record: AlarmRecord, watch: Watch
) -> tuple[list[Transition], AlarmRecord]:
    told = replace(
        blank(record, watch, now_us),
        occurred_us=excursion.occurred_us,
        value=excursion.value,
        u=excursion.u,
        limit=excursion.limit,
        crossing=excursion.crossing,
        detail="; ".join(part for part in (excursion.detail, _doubt(record, excursion)) if part),
    )
    condition = record.condition
    if condition.phase is Phase.PENDING and condition.since_us <= excursion.until_us:
        change = Change(True, excursion.occurred_us, condition.evidence, None)
        live, record = raised(record, watch, change, now_us)
        condition = replace(condition, phase=Phase.ACTIVE)
        told = replace(told, event=live.event, before=live.before, after=live.after)
        return [told], replace(record, condition=condition)
    record = with_activation(record, Activation(excursion.occurred_us, excursion.until_us))
    evidence = Evidence(excursion.value, excursion.u, excursion.limit, text=excursion.detail)
    record = replace(record, evidence=evidence)
    if watch.rule.latching:
        record = replace(record, is_latched=True)
    if condition.is_present:
        told, record = step(record, Event.RE_ALARMED, told)
        return [told], record
    told, record = step(record, Event.OCCURRED, told)
    back = replace(
        blank(record, watch, now_us), occurred_us=excursion.until_us, limit=excursion.limit
    )
    back, record = step(record, return_event(record, watch), back)
    return [told, back], record


def _doubt(record: AlarmRecord, excursion: Excursion) -> str:
    kept = record.activations
    if len(kept) < ACTIVATIONS_KEPT or excursion.occurred_us >= min(a.occurred_us for a in kept):
        return ""
    return f"older than the last {ACTIVATIONS_KEPT} activations: it may have been told before"
