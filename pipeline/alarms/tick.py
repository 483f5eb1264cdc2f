"""
What the passing of time decides: silence, delays that no reading completes, station faults.

A tick is a record like any other, so that a replay decides the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import msgspec

from pipeline.alarms.condition import Delays, Phase, fail, hold, observe
from pipeline.alarms.lifecycle import State
from pipeline.alarms.release import leave
from pipeline.alarms.rules import RuleSet
from pipeline.alarms.state import AlarmRecord, AlarmState, find_watch, fresh
from pipeline.alarms.story import raised, returned
from pipeline.alarms.transition import Transition

AT_ONCE = Delays(0, 0)


@dataclass(frozen=True)
class Tick:
    """What the station knows at a moment."""

    now_us: int
    """The station's time [µs since 1970 UTC]."""
    watermark_us: int
    """Newest plausible reading time so far [µs since 1970 UTC]."""
    faults: Mapping[str, str]
    """Faults that are there now: name and what a person should read about it."""

    def to_facts(self) -> dict[str, Any]:
        """Plain JSON-able values by name."""
        facts: dict[str, Any] = msgspec.to_builtins(self)
        return facts

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> Tick:
        """The tick that `to_facts` wrote; `msgspec.ValidationError` names what does not fit."""
        return msgspec.convert(facts, cls)


def evaluate_tick(
    tick: Tick, state: AlarmState, rules: RuleSet
) -> tuple[tuple[Transition, ...], AlarmState]:
    """
    Take the rules to the tick's time.

    Ends shelving that is over by the steady clock or by the station's, whichever is first;
    raises silence once a point was not heard for `after_s` (since it is watched, if never) plus
    the on-delay; raises what is pending at a silent point at once; completes delays by holding
    the last reading; raises and clears station faults, of any name.
    A clock that was set back stops nothing: time is counted on the state's steady clock.
    """
    state = replace(state, clock=state.clock.advanced(tick.now_us))
    transitions: list[Transition] = []
    for part in (_unshelve, _check_silence, _complete_delays, _check_station):
        told, state = part(tick, state, rules)
        transitions += told
    return tuple(transitions), state


Part = tuple[list[Transition], AlarmState]


def _unshelve(tick: Tick, state: AlarmState, rules: RuleSet) -> Part:
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    for record in state.alarms.values():
        end_us = record.shelved_until_steady_us
        watch = find_watch(record.alarm, state, rules)
        if record.state is not State.SHELVED or end_us is None or watch is None:
            continue
        until_us = record.shelved_until_us
        # Time for which the station was off is in the second only, a clock set back in the first.
        is_over = until_us is not None and tick.now_us >= until_us
        if is_over or state.clock.steady_us >= end_us:
            detail = f"shelving ended, it was set to {_utc(record.shelved_until_us or 0)}"
            told, record = leave(record, watch, tick.now_us)
            transitions.append(replace(told, detail=detail))
            records[record.alarm] = record
    return transitions, state.with_records(records)


def _check_silence(tick: Tick, state: AlarmState, rules: RuleSet) -> Part:
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    for point, watches in rules.silent.items():
        memory = state.points.get(point)
        for watch in watches:
            record = state.alarms.get(watch.alarm) or fresh(watch, state.clock.steady_us)
            age_us = _age_us(point, record, state)
            if age_us < watch.silent_us or record.condition.phase is not Phase.CLEAR:
                records.setdefault(watch.alarm, record)
                continue
            since = "since watching began" if memory is None else f"since {_utc(memory.heard_us)}"
            text = f"no reading {since}, for {age_us / 1e6:.0f} s"
            at_us = tick.now_us - (age_us - watch.silent_us)
            condition, change = observe(
                record.condition, True, at_us, state.clock.steady_us, AT_ONCE, text
            )
            record = replace(record, condition=condition)
            if change is not None:
                told, record = raised(record, watch, change, tick.now_us)
                transitions.append(told)
            records[watch.alarm] = record
    return transitions, state.with_records(records)


def _age_us(point: str, record: AlarmRecord, state: AlarmState) -> int:
    memory = state.points.get(point)
    heard_us = record.watched_us if memory is None else memory.heard_steady_us
    return state.clock.steady_us - max(heard_us, record.watched_us)


def _complete_delays(tick: Tick, state: AlarmState, rules: RuleSet) -> Part:
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    for watch in rules.rows:
        record = state.alarms.get(watch.alarm)
        if record is None or record.condition.phase in (Phase.CLEAR, Phase.ACTIVE):
            continue
        condition, change = record.condition, None
        if watch.rule.kind == "level" and _is_silent(watch.point, state, rules):
            condition, change = fail(condition, "gauge silent while pending")
        if change is None:
            condition, change = hold(condition, watch.delays, state.clock.steady_us)
        record = replace(record, condition=condition)
        if change is not None and change.is_raise:
            told, record = raised(record, watch, change, tick.now_us)
            transitions.append(told)
        elif change is not None:
            memory = state.points.get(watch.point)
            reading = (None, None) if memory is None else (memory.value, memory.u)
            told, record = returned(record, watch, change, tick.now_us, reading)
            transitions.append(told)
        records[watch.alarm] = record
    return transitions, state.with_records(records)


def _is_silent(point: str, state: AlarmState, rules: RuleSet) -> bool:
    return any(
        watch.alarm in state.alarms and state.alarms[watch.alarm].condition.is_present
        for watch in rules.silent.get(point, ())
    )


def _check_station(tick: Tick, state: AlarmState, rules: RuleSet) -> Part:
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    known = [record for record in state.alarms.values() if not record.is_removed]
    for rule in rules.stations:
        faults = dict.fromkeys([*(r.point for r in known if r.rule == rule.id), *tick.faults])
        for fault in faults:
            watch = rules.station_watch(rule, fault)
            record = state.alarms.get(watch.alarm) or fresh(watch, state.clock.steady_us)
            condition, change = observe(
                record.condition,
                fault in tick.faults,
                tick.now_us,
                state.clock.steady_us,
                watch.delays,
                tick.faults.get(fault, ""),
            )
            record = replace(record, condition=condition)
            if change is not None:
                if change.is_raise:
                    told, record = raised(record, watch, change, tick.now_us)
                else:
                    told, record = returned(record, watch, change, tick.now_us, (None, None))
                transitions.append(told)
            records[watch.alarm] = record
    return transitions, state.with_records(records)


def _utc(time_us: int) -> str:
    """For people, to the second; a number that is no date stays a number."""
    try:
        return f"{datetime.fromtimestamp(time_us / 1e6, UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (ValueError, OverflowError, OSError):
        return f"{time_us} µs"
