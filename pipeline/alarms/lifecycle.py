"""
The life cycle of an alarm: which event leads from which state to which.

`TABLE` is the specification; a pair that is not in it is refused, and nothing else decides.

States and arrows are those of IEC 62682 / ISA-18.2 (letters A to I). Three places where the
standards leave room, and what is done here, always on the side of telling:

- Leaving shelved, suppressed or out of service goes to unacknowledged when the condition is
  there. When it is not, a latching alarm that was never reset goes to latched unacknowledged
  rather than to normal: otherwise shelving for a second would stand in for a reset.
- An alarm out of service can be neither shelved nor suppressed: the end of either would put it
  back into service without the person who may do so.
- An excursion that becomes known late while another one is active is a re-alarm.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType


class State(StrEnum):
    """The nine states; the letter is the one of the standards' state diagram."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B
    ACKNOWLEDGED = "acknowledged"  # C
    RETURNED = "returned"  # D: returned to normal, unacknowledged
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"  # E
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"  # F
    SHELVED = "shelved"  # G
    SUPPRESSED = "suppressed"  # H: by design
    OUT_OF_SERVICE = "out_of_service"  # I


class Event(StrEnum):
    """What can happen to an alarm; `…_ALARM`, `…_LATCHED`, `…_NORMAL` say how it was found."""

    OCCURRED = "occurred"
    RETURNED = "returned"
    RETURNED_LATCHED = "returned_latched"
    RE_ALARMED = "re_alarmed"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    SHELVED = "shelved"
    UNSHELVED_NORMAL = "unshelved_normal"
    UNSHELVED_ALARM = "unshelved_alarm"
    UNSHELVED_LATCHED = "unshelved_latched"
    SUPPRESSED = "suppressed"
    RELEASED_NORMAL = "released_normal"
    RELEASED_ALARM = "released_alarm"
    RELEASED_LATCHED = "released_latched"
    TAKEN_OUT_OF_SERVICE = "taken_out_of_service"
    IN_SERVICE_NORMAL = "in_service_normal"
    IN_SERVICE_ALARM = "in_service_alarm"
    IN_SERVICE_LATCHED = "in_service_latched"


A, B, C = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
D, E, F = State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
G, H, I = State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE  # noqa: E741 - standards' letter

SILENCED = frozenset({G, H, I})
"""States in which nothing is told; evaluation goes on and is journalled."""

TABLE: Mapping[tuple[State, Event], State] = MappingProxyType(
    {
        # The condition comes, goes, or becomes known once more.
        (A, Event.OCCURRED): B,
        (D, Event.OCCURRED): B,
        (E, Event.OCCURRED): B,
        (F, Event.OCCURRED): B,
        (G, Event.OCCURRED): G,
        (H, Event.OCCURRED): H,
        (I, Event.OCCURRED): I,
        (B, Event.RETURNED): D,
        (C, Event.RETURNED): A,
        (G, Event.RETURNED): G,
        (H, Event.RETURNED): H,
        (I, Event.RETURNED): I,
        (B, Event.RETURNED_LATCHED): E,
        (C, Event.RETURNED_LATCHED): F,
        (G, Event.RETURNED_LATCHED): G,
        (H, Event.RETURNED_LATCHED): H,
        (I, Event.RETURNED_LATCHED): I,
        (B, Event.RE_ALARMED): B,
        (C, Event.RE_ALARMED): B,
        (G, Event.RE_ALARMED): G,
        (H, Event.RE_ALARMED): H,
        (I, Event.RE_ALARMED): I,
        # People.
        (B, Event.ACKNOWLEDGED): C,
        (D, Event.ACKNOWLEDGED): A,
        (E, Event.ACKNOWLEDGED): F,
        (F, Event.RESET): A,
        # Shelving: from everywhere but out of service; again, to change its end.
        (A, Event.SHELVED): G,
        (B, Event.SHELVED): G,
        (C, Event.SHELVED): G,
        (D, Event.SHELVED): G,
        (E, Event.SHELVED): G,
        (F, Event.SHELVED): G,
        (G, Event.SHELVED): G,
        (H, Event.SHELVED): G,
        (G, Event.UNSHELVED_NORMAL): A,
        (G, Event.UNSHELVED_ALARM): B,
        (G, Event.UNSHELVED_LATCHED): E,
        # Suppression by design.
        (A, Event.SUPPRESSED): H,
        (B, Event.SUPPRESSED): H,
        (C, Event.SUPPRESSED): H,
        (D, Event.SUPPRESSED): H,
        (E, Event.SUPPRESSED): H,
        (F, Event.SUPPRESSED): H,
        (G, Event.SUPPRESSED): H,
        (H, Event.RELEASED_NORMAL): A,
        (H, Event.RELEASED_ALARM): B,
        (H, Event.RELEASED_LATCHED): E,
        # Out of service.
        (A, Event.TAKEN_OUT_OF_SERVICE): I,
        (B, Event.TAKEN_OUT_OF_SERVICE): I,
        (C, Event.TAKEN_OUT_OF_SERVICE): I,
        (D, Event.TAKEN_OUT_OF_SERVICE): I,
        (E, Event.TAKEN_OUT_OF_SERVICE): I,
        (F, Event.TAKEN_OUT_OF_SERVICE): I,
        (G, Event.TAKEN_OUT_OF_SERVICE): I,
        (H, Event.TAKEN_OUT_OF_SERVICE): I,
        (I, Event.IN_SERVICE_NORMAL): A,
        (I, Event.IN_SERVICE_ALARM): B,
        (I, Event.IN_SERVICE_LATCHED): E,
    }
)


def next_state(state: State, event: Event) -> State | None:
    """The state that `event` leads to from `state`; None when the pair is refused."""
    return TABLE.get((state, event))
