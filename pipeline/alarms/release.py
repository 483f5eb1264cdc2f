"""
Leaving shelved, suppressed or out of service: the alarm is judged anew.

A condition that is still there is raised; a latch that nobody reset is still there.
"""

from __future__ import annotations

from pipeline.alarms.lifecycle import Event, State
from pipeline.alarms.rules import Watch
from pipeline.alarms.state import AlarmRecord
from pipeline.alarms.story import blank, standing, step
from pipeline.alarms.transition import Transition

# By what it leaves: how it is found normal, in alarm, latched.
LEAVING = {
    State.SHELVED: (Event.UNSHELVED_NORMAL, Event.UNSHELVED_ALARM, Event.UNSHELVED_LATCHED),
    State.SUPPRESSED: (Event.RELEASED_NORMAL, Event.RELEASED_ALARM, Event.RELEASED_LATCHED),
    State.OUT_OF_SERVICE: (
        Event.IN_SERVICE_NORMAL,
        Event.IN_SERVICE_ALARM,
        Event.IN_SERVICE_LATCHED,
    ),
}


def leave(record: AlarmRecord, watch: Watch, now_us: int) -> tuple[Transition, AlarmRecord]:
    """
    The transition out of a silenced state, and the record after it.

    When the condition is there, or its latch, `occurred_us` is when it came, not when it was let
    through.

    Raises:
        KeyError: the alarm is in none of the three states.
    """
    normal, alarm, latched = LEAVING[record.state]
    told = blank(record, watch, now_us)
    told = standing(told, record, watch)
    if record.condition.is_present:
        return step(record, alarm, told)
    return step(record, latched if record.is_latched else normal, told)
