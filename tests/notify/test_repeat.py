"""
Reminders: when an alarm that nobody acknowledged is told again, and to whom.

The rule's time to respond is 30 min; times are worked out by hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.notify.repeat import Waiting, reminders
from pipeline.site.models import Structure
from pipeline.store.ledger import Notice
from tests.notify.scenario import HIGH, KIT, NOW, SECOND, site, structure, transition

MINUTE = 60 * SECOND


def told(
    after_min: float, last_told_min: float = 0, deck: Structure | None = None, **changes: Any
) -> tuple[Notice, ...]:
    """Reminders some minutes after the raise of an alarm that was last told at another minute."""
    one = Waiting(transition(**changes), NOW, NOW + round(last_told_min * MINUTE))
    return reminders([one], deck or structure(), site(), NOW + round(after_min * MINUTE))


def test_nothing_is_told_before_the_time_to_respond_is_over() -> None:
    """A second before 30 min nobody is disturbed, at 30 min they are."""
    assert told(30 - 1 / 60) == ()
    assert told(30) != ()


@pytest.mark.parametrize(
    ("last_told_min", "due_min"),
    # Waits double: 30, 60, 120 … min; from 24 h on daily.
    [(0, 30), (30, 60), (60, 120), (120, 240), (960, 1920), (1920, 3360), (3360, 4800)],
)
def test_waits_double_up_to_a_day(last_told_min: float, due_min: float) -> None:
    """The n-th reminder comes when it has waited twice as long, and at least daily."""
    assert told(due_min - 1, last_told_min) == ()
    assert told(due_min, last_told_min) != ()


def test_it_goes_to_all_of_the_rule_and_to_somebody_else() -> None:
    """Kit, whom the rule does not name, is told by all deliveries as well."""
    notices = told(30)

    assert [(one.recipient, one.delivery) for one in notices] == [
        ("w.tarrant", "mail"),
        ("w.tarrant", "log"),
        ("o.pell", "mail"),
        ("k.dunmore", "log"),
        ("k.dunmore", "mail"),
    ]


def test_another_person_is_asked_each_time() -> None:
    """With three more operators each reminder goes to another one, then it starts again."""
    more = [KIT.model_copy(update={"id": f"op{n}", "deliveries": ("log",)}) for n in range(3)]
    whole = site(people=(*site().people[:2], *more))
    asked = []
    for last_told_min in (0, 30, 60, 120):
        one = Waiting(transition(), NOW, NOW + last_told_min * MINUTE)
        notices = reminders([one], structure(), whole, NOW + 5000 * MINUTE)
        asked.append(notices[-1].recipient)

    assert asked == ["op0", "op1", "op2", "op0"]


def test_the_text_says_how_long_nobody_answered_and_who_was_told() -> None:
    """Subject and first line tell the wait; the whole notice follows."""
    mailed = told(45)[0]

    assert mailed.subject == (
        "NOT ACKNOWLEDGED for 45 min: "
        "[HIGH] Quillmere deck: strain above limit at D3 (deck-high.D3)"
    )
    assert mailed.body.startswith(
        "NOBODY HAS ACKNOWLEDGED this alarm for 45 min, since 2027-07-01 14:03:05 +02:00 "
        "(12:03:05 UTC). It was told to Wynn Tarrant, Orla Pell. It now goes to Kit Dunmore as "
        "well. Acknowledge it, or call somebody who can.\n\nWHAT        strain above limit at D3\n"
    )
    assert "spanwarden alarms ack deck-high.D3 --site" in mailed.body
    assert mailed.facts["event"] == "reminder"


@pytest.mark.parametrize("after", ["acknowledged", "normal", "shelved", "latched_acknowledged"])
def test_what_waits_for_nobody_is_not_told_again(after: str) -> None:
    """An acknowledged, shelved or normal alarm is never reminded of, whatever the caller says."""
    assert told(5000, after=after) == ()


@pytest.mark.parametrize("after", ["returned", "latched_unacknowledged"])
def test_an_excursion_that_is_over_still_waits_for_a_person(after: str) -> None:
    """A return to normal is not an acknowledgement."""
    assert told(30, after=after) != ()


def test_a_clock_that_stepped_back_does_not_silence_reminders() -> None:
    """Last told in the future means that nobody knows when: it is told."""
    assert told(10, last_told_min=100_000) != ()


def test_a_rule_without_a_usable_time_to_respond_reminds_at_most_every_minute() -> None:
    """Zero minutes do not make a mail each tick."""
    hurried = structure(rules=(HIGH.model_copy(update={"respond_within_min": 0.0}),))

    assert told(0.9, deck=hurried) == ()
    assert told(1, deck=hurried) != ()
