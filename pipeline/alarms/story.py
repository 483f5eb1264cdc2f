"""
An alarm's next step: a change of its condition, or a person's act, becomes a transition.

Here, and nowhere else, the life cycle, the latch and the record of activations move together.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.alarms.condition import Change, Evidence
from pipeline.alarms.judged import failed_tests
from pipeline.alarms.lifecycle import SILENCED, Event, State, next_state
from pipeline.alarms.rules import COVERAGE, Watch
from pipeline.alarms.state import ACTIVATIONS_KEPT, Activation, AlarmRecord
from pipeline.alarms.transition import Crossing, Transition


def step(
    record: AlarmRecord, event: Event, transition: Transition
) -> tuple[Transition, AlarmRecord]:
    """
    Move the record by `event`; `transition` gets the states before and after.

    Raises:
        ValueError: the table refuses the event; ask `next_state` first where it may.
    """
    after = next_state(record.state, event)
    if after is None:
        raise ValueError(
            f'alarm "{record.alarm}" is {record.state}: {event} is not possible; expected an '
            "event of lifecycle.TABLE for that state"
        )
    moved = replace(transition, event=event.value, before=record.state.value, after=after.value)
    if after is not State.SHELVED:
        record = replace(record, shelved_until_us=None, shelved_until_steady_us=None)
    return moved, replace(record, state=after)


def blank(record: AlarmRecord, watch: Watch, now_us: int) -> Transition:
    """A transition of this alarm at `now_us` in which nothing else is said yet."""
    return Transition(
        alarm=record.alarm,
        rule=record.rule,
        point="" if watch.rule.kind == "station" else record.point,
        event="",
        before="",
        after="",
        occurred_us=now_us,
        detected_us=now_us,
        value=None,
        u=None,
        limit=None,
        unit=watch.rule.unit,
        crossing="",
        detail="",
        by="",
        comment="",
        priority=record.priority,
        retrospective=False,
        late=False,
    )


def raised(
    record: AlarmRecord, watch: Watch, change: Change, now_us: int
) -> tuple[Transition, AlarmRecord]:
    """The condition has come: the transition, and the record with an open activation."""
    evidence = change.evidence
    told = replace(
        measured(blank(record, watch, now_us), watch, evidence),
        occurred_us=change.occurred_us,
        detail="; ".join(part for part in (reason(watch, evidence), change.why) if part),
    )
    record = with_activation(record, Activation(change.occurred_us, None))
    record = replace(record, evidence=evidence)
    if watch.rule.latching:
        record = replace(record, is_latched=True)
    return step(record, Event.OCCURRED, told)


def returned(
    record: AlarmRecord,
    watch: Watch,
    change: Change,
    now_us: int,
    reading: tuple[float | None, float | None],
) -> tuple[Transition, AlarmRecord]:
    """The condition has gone: the transition, and the record with its activation closed."""
    value, u = reading
    told = replace(
        blank(record, watch, now_us),
        occurred_us=change.occurred_us,
        value=value,
        u=u,
        limit=change.evidence.limit,
        detail=change.why,
    )
    closed = tuple(
        replace(activation, until_us=max(activation.occurred_us, change.occurred_us))
        if activation.until_us is None
        else activation
        for activation in record.activations
    )
    return step(replace(record, activations=closed), return_event(record, watch), told)


def return_event(record: AlarmRecord, watch: Watch) -> Event:
    """How a condition returns: latching alarms wait for a reset."""
    is_latching = record.is_latched or watch.rule.latching
    return Event.RETURNED_LATCHED if is_latching else Event.RETURNED


def with_activation(record: AlarmRecord, activation: Activation) -> AlarmRecord:
    """The record with one more activation, the oldest dropped when there are too many."""
    return replace(record, activations=(*record.activations, activation)[-ACTIVATIONS_KEPT:])


def measured(transition: Transition, watch: Watch, evidence: Evidence) -> Transition:
    """The transition with the reading that crossed, its limit and what of it crossed."""
    return replace(
        transition,
        value=evidence.value,
        u=evidence.u,
        limit=evidence.limit,
        crossing=crossing(watch, evidence),
    )


def standing(transition: Transition, record: AlarmRecord, watch: Watch) -> Transition:
    """
    The transition with what stands: reading, limit and reason of the raise, and when it came.

    `detected_us` stays when it was done. Nothing is added to an alarm that is normal, or put
    aside with nothing behind it.
    """
    is_aside = record.state in SILENCED and not (record.condition.is_present or record.is_latched)
    if record.state is State.NORMAL or is_aside:
        return transition
    evidence, activations = record.evidence, record.activations
    if record.condition.is_present:
        evidence = record.condition.evidence
        activations = tuple(a for a in activations if a.until_us is None)
    return replace(
        measured(transition, watch, evidence),
        occurred_us=activations[-1].occurred_us if activations else transition.occurred_us,
        detail=reason(watch, evidence),
    )


def crossing(watch: Watch, evidence: Evidence) -> Crossing:
    """
    What crossed the limit: the value, or its margin k·u only, or that only because u grew.

    u made it when, since the last normal reading, k·u grew by more than the value moved
    towards the limit.
    """
    value, limit = evidence.value, evidence.limit
    if value is None or limit is None:
        return ""
    outward = 1.0 if limit == watch.high else -1.0
    if outward * (value - limit) > 0:
        return "value"
    if evidence.u is None or evidence.normal_u is None or evidence.normal_value is None:
        return "margin"
    moved = outward * (value - evidence.normal_value)
    grew = COVERAGE * (evidence.u - evidence.normal_u)
    return "margin_grew" if grew > 0 and grew > moved else "margin"


def reason(watch: Watch, evidence: Evidence) -> str:
    """What a person has to know about the evidence beyond its numbers."""
    if watch.rule.kind == "gauge_fault":
        return f"failed tests: {failed_tests(evidence.tests)}"
    if watch.rule.kind != "level":
        return evidence.text
    kind = crossing(watch, evidence)
    unit = watch.rule.unit
    if kind == "margin_grew":
        return (
            f"margin crossed because the uncertainty grew: k·u from "
            f"{COVERAGE * (evidence.normal_u or 0.0):g} to {COVERAGE * (evidence.u or 0.0):g} "
            f"{unit}; the value itself is within its limit"
        )
    if kind == "margin":
        return (
            f"margin of {COVERAGE * (evidence.u or 0.0):g} {unit} crossed; "
            "the value itself is within its limit"
        )
    if watch.k and evidence.u is None:
        return "no uncertainty was given: compared by the value alone"
    return ""
