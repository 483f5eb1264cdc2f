"""
What people do to alarms: acknowledge, reset, shelve, take out of service.

Whether the person may is for the caller to check; here it is checked that it makes sense.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import msgspec

from pipeline.alarms.lifecycle import Event, State, next_state
from pipeline.alarms.release import leave
from pipeline.alarms.rules import RuleSet, Watch
from pipeline.alarms.state import AlarmRecord, AlarmState, find_watch
from pipeline.alarms.story import blank, standing, step
from pipeline.alarms.transition import Transition

Kind = Literal[
    "ack",
    "reset",
    "shelve",
    "unshelve",
    "suppress",
    "release",
    "out_of_service",
    "return_to_service",
]

MAX_SHELVE_US = 7 * 86_400_000_000
"""Longest shelving; what is longer is out of service, which is another person's decision."""

EVENTS: Mapping[str, Event] = {
    "ack": Event.ACKNOWLEDGED,
    "reset": Event.RESET,
    "shelve": Event.SHELVED,
    "suppress": Event.SUPPRESSED,
    "out_of_service": Event.TAKEN_OUT_OF_SERVICE,
}

LEAVES: Mapping[str, State] = {
    "unshelve": State.SHELVED,
    "release": State.SUPPRESSED,
    "return_to_service": State.OUT_OF_SERVICE,
}

REASONED = ("shelve", "suppress", "out_of_service")

REMEDIES: Mapping[str, str] = {
    "ack": "Only an alarm that nobody has acknowledged yet can be acknowledged.",
    "reset": "Only a latched alarm can be reset, after its condition returned and somebody "
    "acknowledged it.",
    "shelve": "Have it returned to service first.",
    "suppress": "Have it released, or returned to service, first.",
    "out_of_service": "There is nothing to do.",
    "unshelve": "Only a shelved alarm can be unshelved.",
    "release": "Only a suppressed alarm can be released.",
    "return_to_service": "Only an alarm that is out of service can be returned to it.",
}


@dataclass(frozen=True)
class Command:
    """One act. `by` is a person's id, or for suppress and release the name of the design logic."""

    kind: Kind
    alarm: str
    by: str
    comment: str = ""
    """The reason; required to shelve, suppress and take out of service."""
    until_us: int | None = None
    """`shelve`: its end [µs since 1970 UTC]."""

    def to_facts(self) -> dict[str, Any]:
        """Plain JSON-able values by name."""
        facts: dict[str, Any] = msgspec.to_builtins(self)
        return facts

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> Command:
        """The command that `to_facts` wrote; `msgspec.ValidationError` names what is wrong."""
        return msgspec.convert(facts, cls)


def apply_command(
    command: Command, now_us: int, state: AlarmState, rules: RuleSet
) -> tuple[tuple[Transition, ...], AlarmState, str, bool]:
    """
    Do what a person asks, or say why not.

    Args:
        command: what is asked.
        now_us: when it was given, by the station [µs since 1970 UTC].
        state: as the call before returned it.
        rules: as configured.

    Returns:
        Transitions (one, or none when refused), the next state, a sentence for the person,
        and whether it was done. While something stands, the transition goes on saying what and
        since when; `detected_us` is when the person acted.
    """
    state = replace(state, clock=state.clock.advanced(now_us))
    watch = find_watch(command.alarm, state, rules)
    record = state.alarms.get(command.alarm)
    refusal = _refusal(command, now_us, record, watch)
    if refusal or record is None or watch is None:
        return (), state, refusal, False
    told, record = _done(command, now_us, state, record, watch)
    told = replace(told, by=command.by, comment=command.comment)
    reply = f'Alarm "{record.alarm}" is now {spoken(record.state)}.'
    return (told,), state.with_records({record.alarm: record}), reply, True


def spoken(state: State) -> str:
    """A state's name for people."""
    return state.value.replace("_", " ")


def _refusal(command: Command, now_us: int, record: AlarmRecord | None, watch: Watch | None) -> str:
    """Why the command cannot be done; empty when it can."""
    if command.kind not in get_args(Kind):
        expected = ", ".join(get_args(Kind))
        return f'Refused: there is no command "{command.kind}"; expected one of {expected}.'
    if record is None or watch is None:
        return (
            f'Refused: there is no alarm "{command.alarm}"; expected an id as `spanwarden alarms` '
            "lists it."
        )
    if not command.by.strip():
        return f"Refused: {command.kind} without a name; say who does it."
    if command.kind in REASONED and not command.comment.strip():
        return f"Refused: {command.kind} without a reason; say why."
    if command.kind == "shelve":
        refusal = _refused_end(command.until_us, now_us)
        if refusal:
            return refusal
    if _is_possible(command.kind, record.state):
        return ""
    return (
        f'Refused: {command.kind} of alarm "{record.alarm}", which is {spoken(record.state)}. '
        f"{REMEDIES[command.kind]}"
    )


def _refused_end(until_us: int | None, now_us: int) -> str:
    if until_us is None or until_us <= now_us:
        return "Refused: shelving needs an end in the future; say until when."
    if until_us - now_us > MAX_SHELVE_US:
        days = MAX_SHELVE_US // 86_400_000_000
        return (
            f"Refused: shelving for more than {days} days; shorten it, or have the alarm taken "
            "out of service."
        )
    return ""


def _is_possible(kind: str, state: State) -> bool:
    if kind in LEAVES:
        return state is LEAVES[kind]
    return next_state(state, EVENTS[kind]) is not None


def _done(
    command: Command, now_us: int, state: AlarmState, record: AlarmRecord, watch: Watch
) -> tuple[Transition, AlarmRecord]:
    if command.kind in LEAVES:
        return leave(record, watch, now_us)
    told = standing(blank(record, watch, now_us), record, watch)
    told, record = step(record, EVENTS[command.kind], told)
    if command.kind == "reset":
        record = replace(record, is_latched=False)
    if command.kind == "shelve" and command.until_us is not None:
        record = replace(
            record,
            shelved_until_us=command.until_us,
            shelved_until_steady_us=state.clock.steady_us + command.until_us - now_us,
        )
    return told, record
