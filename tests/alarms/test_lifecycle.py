"""The state × event table against a picture of the standards drawn independently of it."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass

import pytest

from pipeline.alarms.lifecycle import TABLE, Event, State, next_state

# Written from the state diagram of ISA-18.2 / IEC 62682 (letters A to I), one line a state, in
# the order of COLUMNS; a dot is a refusal. Differences from the diagram are those that the
# head of lifecycle.py names: the column L of each way out, and row I under shelve, suppress.
COLUMNS = (
    *("occurred", "returned", "returned_latched", "re_alarmed", "acknowledged", "reset"),
    *("shelved", "unshelved_normal", "unshelved_alarm", "unshelved_latched"),
    *("suppressed", "released_normal", "released_alarm", "released_latched"),
    *("taken_out_of_service", "in_service_normal", "in_service_alarm", "in_service_latched"),
)
PICTURE = {
    "A": "B . . . . . G . . . H . . . I . . .",
    "B": ". D E B C . G . . . H . . . I . . .",
    "C": ". A F B . . G . . . H . . . I . . .",
    "D": "B . . . A . G . . . H . . . I . . .",
    "E": "B . . . F . G . . . H . . . I . . .",
    "F": "B . . . . A G . . . H . . . I . . .",
    "G": "G G G G . . G A B E H . . . I . . .",
    "H": "H H H H . . G . . . . A B E I . . .",
    "I": "I I I I . . . . . . . . . . . A B E",
}
LETTERS = {
    "A": "normal",
    "B": "unacknowledged",
    "C": "acknowledged",
    "D": "returned",
    "E": "latched_unacknowledged",
    "F": "latched_acknowledged",
    "G": "shelved",
    "H": "suppressed",
    "I": "out_of_service",
}


@pytest.mark.parametrize("letter", PICTURE)
def test_every_event_leads_where_the_picture_says(letter: str) -> None:
    """Each of the 9 × 18 pairs leads to the state of the picture, or is refused as there."""
    expected = {
        event: LETTERS.get(after)
        for event, after in zip(COLUMNS, PICTURE[letter].split(), strict=True)
    }

    found = {event.value: next_state(State(LETTERS[letter]), event) for event in Event}

    assert found == expected


def test_picture_covers_every_state_and_event() -> None:
    """No state or event exists that the picture above does not draw."""
    assert set(LETTERS.values()) == {state.value for state in State}
    assert set(COLUMNS) == {event.value for event in Event}


def test_table_cannot_be_changed() -> None:
    """The specification is read-only while the program runs."""
    with pytest.raises(TypeError) as caught:
        TABLE[State.NORMAL, Event.RESET] = State.SHELVED  # type: ignore[index]  # the point

    assert "does not support item assignment" in str(caught.value)


@dataclass
class Facts:
    """The life cycle told in facts instead of states: what is there, seen, held, put aside."""

    present: bool = False
    unseen: bool = False
    latched: bool = False
    aside: str = ""

    def name(self) -> str:
        """The state that these facts make."""
        if self.aside:
            return self.aside
        if self.present:
            return "unacknowledged" if self.unseen else "acknowledged"
        if self.latched:
            return "latched_unacknowledged" if self.unseen else "latched_acknowledged"
        return "returned" if self.unseen else "normal"

    def apply(self, event: str) -> bool:
        """Change the facts as the event says; False when it makes no sense for them."""
        if event in ("occurred", "re_alarmed"):
            return self._come(again=event == "re_alarmed")
        if event.startswith("returned"):
            return self._go(latching=event.endswith("latched"))
        if event in ("acknowledged", "reset"):
            return self._person(event)
        return self._aside(event)

    def _come(self, *, again: bool) -> bool:
        if self.aside:
            return True
        if self.present != again:
            return False
        self.present, self.unseen, self.latched = True, True, False
        return True

    def _go(self, *, latching: bool) -> bool:
        if self.aside:
            return True
        if not self.present:
            return False
        self.present, self.latched = False, latching
        return True

    def _person(self, event: str) -> bool:
        if self.aside:
            return False
        if event == "acknowledged":
            was, self.unseen = self.unseen, False
            return was
        can = self.latched and not self.unseen and not self.present
        self.latched = self.latched and not can
        return can

    def _aside(self, event: str) -> bool:
        into = {
            "taken_out_of_service": "out_of_service",
            "shelved": "shelved",
            "suppressed": "suppressed",
        }
        if event in into:
            refused = self.aside == "out_of_service" or (event == self.aside == "suppressed")
            self.aside = self.aside if refused else into[event]
            return not refused
        door, found = event.rsplit("_", 1)
        opens = {"unshelved": "shelved", "released": "suppressed", "in_service": "out_of_service"}
        if self.aside != opens[door]:
            return False
        self.aside = ""
        self.present = found == "alarm"
        self.latched = found == "latched"
        self.unseen = found != "normal"
        return True


def test_random_walks_agree_with_a_model_of_facts() -> None:
    """20,000 random events lead to the states that the independent model of facts gives."""
    chance = random.Random(62682)
    state, facts = State.NORMAL, Facts()
    seen = set()
    for event in itertools.islice(iter(lambda: chance.choice(list(Event)), None), 20_000):
        after = next_state(state, event)
        done = facts.apply(event.value)
        assert done == (after is not None), (state, event)
        state = state if after is None else after
        seen.add(state)
        assert facts.name() == state.value, event

    assert seen == set(State)
