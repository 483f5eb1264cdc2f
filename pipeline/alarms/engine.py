"""
The alarm engine: pure functions of results, ticks, commands and findings on one frozen state.

Everything that other rooms need of alarms is named here.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.alarms.batch import evaluate
from pipeline.alarms.command import Command, apply_command
from pipeline.alarms.condition import Condition
from pipeline.alarms.excursion import Excursion, apply_excursion, excursions
from pipeline.alarms.lifecycle import State
from pipeline.alarms.rules import RuleSet, compile_rules
from pipeline.alarms.state import AlarmRecord, AlarmState, find_watch, fresh, resume
from pipeline.alarms.tick import Tick, evaluate_tick
from pipeline.alarms.transition import REMOVED, RULE_REMOVED, Transition

__all__ = [
    "AlarmRecord",
    "AlarmState",
    "Command",
    "Excursion",
    "RuleSet",
    "Tick",
    "Transition",
    "apply_command",
    "apply_excursion",
    "compile_rules",
    "evaluate",
    "evaluate_tick",
    "excursions",
    "initial_state",
    "reconcile",
    "resume",
]


def initial_state(rules: RuleSet) -> AlarmState:
    """Every alarm normal; silence of points counts from the first batch or tick."""
    return AlarmState(alarms={watch.alarm: fresh(watch, 0) for watch in rules.watches.values()})


def reconcile(
    state: AlarmState, rules: RuleSet, now_us: int
) -> tuple[tuple[Transition, ...], AlarmState]:
    """
    Fit a state to the rules that are configured now.

    An alarm that is no longer configured ends with a transition `rule_removed`; its record
    stays, closed, so that its recent activations are known should it come back. A new alarm, or
    one that came back, starts normal and is watched from now on. An alarm that stays keeps its
    state; changed limits count from the next reading.

    Args:
        state: as saved, perhaps under another configuration.
        rules: as configured now.
        now_us: the station's time, for the transitions only [µs since 1970 UTC].
    """
    transitions: list[Transition] = []
    records: dict[str, AlarmRecord] = {}
    for record in state.alarms.values():
        watch = find_watch(record.alarm, state, rules)
        if watch is None and not record.is_removed:
            told, records[record.alarm] = _removed(record, now_us)
            transitions.append(told)
        elif watch is not None and record.is_removed:
            anew = fresh(watch, state.clock.steady_us)
            records[record.alarm] = replace(anew, activations=record.activations)
        elif watch is not None and record.priority != watch.rule.priority:
            records[record.alarm] = replace(record, priority=watch.rule.priority)
    for watch in rules.watches.values():
        if watch.alarm not in state.alarms:
            records[watch.alarm] = fresh(watch, state.clock.steady_us)
    return tuple(transitions), state.with_records(records)


def _removed(record: AlarmRecord, now_us: int) -> tuple[Transition, AlarmRecord]:
    told = Transition(
        alarm=record.alarm,
        rule=record.rule,
        point=record.point,
        event=RULE_REMOVED,
        before=record.state.value,
        after=REMOVED,
        occurred_us=now_us,
        detected_us=now_us,
        value=None,
        u=None,
        limit=None,
        unit="",
        crossing="",
        detail="the rule, or its point, is no longer in the configuration; nothing watches here",
        by="",
        comment="",
        priority=record.priority,
        retrospective=False,
        late=False,
    )
    closed = tuple(
        replace(a, until_us=max(a.occurred_us, now_us)) if a.until_us is None else a
        for a in record.activations
    )
    gone = replace(
        record,
        state=State.NORMAL,
        condition=Condition(),
        is_latched=False,
        shelved_until_us=None,
        shelved_until_steady_us=None,
        activations=closed,
        is_removed=True,
    )
    return told, gone
