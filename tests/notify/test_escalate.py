"""
By which other ways a notice goes when it could not be delivered.
"""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.notify.escalate import also_tell
from pipeline.site.models import Person
from pipeline.store.ledger import Notice
from tests.notify.scenario import KIT, ORLA, PEOPLE, VERA, WYNN, notice, retained

Way = tuple[str, str]


def ways(told: Notice, people: tuple[Person, ...] = PEOPLE) -> list[Way]:
    """(recipient, delivery) of the notices that follow a failure."""
    return [(one.recipient, one.delivery) for one in also_tell(told, "server away", people)]


def with_only(person: Person, *deliveries: Any) -> Person:
    """The person with other deliveries."""
    return person.model_copy(update={"deliveries": deliveries})


def test_a_failed_mail_goes_to_their_next_delivery_and_the_next_person() -> None:
    """Wynn's mail fails: Wynn's log, and Orla, who stands next in the rule."""
    told = ways(notice())

    assert told == [("w.tarrant", "log"), ("o.pell", "mail")]


def test_the_order_of_a_person_starts_again_after_its_end() -> None:
    """A failed log, Wynn's last delivery, goes to Wynn's mail."""
    told = ways(notice(delivery="log"))

    assert ("w.tarrant", "mail") in told


def test_the_log_is_the_way_out_when_all_have_mail_only() -> None:
    """A dead mail server is told by something else than mail, always."""
    told = ways(notice(), (with_only(WYNN, "mail"), ORLA))

    assert told == [("o.pell", "mail"), ("w.tarrant", "log")]


def test_somebody_outside_the_rule_is_asked_when_the_rule_has_nobody_else() -> None:
    """The next operator or engineer of the site is told, by mail and by another way; no viewer."""
    alone = notice(recipient="o.pell", facts={"tell": ["o.pell"]})
    told = ways(alone, (ORLA, VERA, KIT))

    assert told == [("k.dunmore", "log"), ("k.dunmore", "mail")]


def test_a_failed_topic_goes_to_the_log() -> None:
    """People had notices of their own; the failure is written down."""
    told = also_tell(retained(), "not confirmed", PEOPLE)

    assert [(one.recipient, one.delivery, one.topic) for one in told] == [("", "log", "")]
    assert told[0].expires_us is None


def test_the_new_notice_says_who_was_not_reached_and_why() -> None:
    """The reader learns that another person does not know, and reads the notice itself."""
    told = also_tell(notice(), "550 no such\nmailbox", PEOPLE)[0]

    assert told.subject == (
        "[NOT DELIVERED to Wynn Tarrant by mail] "
        "[HIGH] Quillmere deck: strain above limit at D3 (deck-high.D3)"
    )
    assert told.body == (
        "The notice below could not be delivered to Wynn Tarrant by mail: 550 no such mailbox\n"
        "You get it because nobody else may know: make sure that somebody acts on it.\n\n"
        "strain +412 ± 18 µm/m\n"
    )
    assert told.priority == "high"
    assert told.alarm == "deck-high.D3"


@pytest.mark.parametrize("first", [notice(), retained(), notice(recipient="nobody")])
def test_when_every_way_fails_each_person_was_tried_once_and_it_ends(first: Notice) -> None:
    """With twelve people and nothing working the notices stay few, and everybody was tried."""
    crowd = tuple(WYNN.model_copy(update={"id": f"p{n}", "name": f"P {n}"}) for n in range(12))
    waiting, tried = [first], list[Way]()
    while waiting and len(tried) < 1000:
        failed = waiting.pop()
        tried.append((failed.recipient, failed.delivery))
        waiting += also_tell(failed, "away", (WYNN, *crowd))

    assert len(set(tried)) == len(tried) <= 1 + 2 * 14
    assert {person for person, _ in tried} >= {"w.tarrant", *(one.id for one in crowd)}


def test_the_subject_does_not_grow_with_the_chain() -> None:
    """However often it goes on, the first subject stands behind one remark."""
    second = also_tell(also_tell(notice(), "away", PEOPLE)[1], "away", PEOPLE)[0]

    assert second.subject.count("NOT DELIVERED") == 1
    assert second.subject.endswith(notice().subject)
