"""
A telling that fails is told by another way: whom to tell instead, and what that notice says.

Pure: a notice and the failure in, notices out. Each carries the ways already tried, so that a
chain of failures ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from pipeline.notify.wording import one_line
from pipeline.site.models import Person
from pipeline.store.ledger import Notice

PERSONAL = ("log", "mail")
"""Deliveries that reach one person; an MQTT topic is nobody's own."""


def also_tell(notice: Notice, detail: str, people: tuple[Person, ...]) -> tuple[Notice, ...]:
    """
    The same notice by other ways, after `notice` could not be delivered.

    The person's next delivery (after the failed one in their own order, then from its start), and
    the next other person: of the rule's `tell` first, then any operator or engineer of the site.
    That one is told by the first of their deliveries that differs from the failed one, and by the
    failed one too, since it may have failed for one mailbox only. When nothing else is left, the
    log. An MQTT notice that failed goes to the log: the people had their own notices.

    Of the new notices one goes on when it fails in its turn, the one to the other person; the
    rest carry the fact `ends`, since a tree of failures would grow with each person.

    Args:
        notice: the one that failed. Its facts `tell`, `tried` and `ends` are read.
        detail: why it failed, without secrets.
        people: of the site.

    Returns:
        New notices, none by a way in `tried`; empty when every way was tried.
    """
    if notice.facts.get("ends"):
        return ()
    tried = {tuple(way) for way in notice.facts.get("tried", ())}
    tried.add((notice.recipient, notice.delivery))
    ways = [way for way in _ways(notice, people) if way not in tried]
    others = [way for way in ways if way[0] != notice.recipient]
    goes_on = next(iter(others or ways), None)
    marked = sorted([*map(list, tried), *map(list, ways)])
    names = {person.id: one_line(person.name) for person in people}
    failed = names.get(notice.recipient, one_line(notice.recipient)) or "subscribers"
    first = str(notice.facts.get("first_subject", notice.subject))
    head = (
        f"The notice below could not be delivered to {failed} by {notice.delivery}: "
        f"{one_line(detail)}\nYou get it because nobody else may know: make sure that somebody "
        "acts on it.\n\n"
    )
    return tuple(
        replace(
            notice,
            delivery=delivery,
            recipient=recipient,
            subject=f"[NOT DELIVERED to {failed} by {notice.delivery}] {first}",
            body=head + notice.body,
            topic="",
            expires_us=None,
            facts={
                **notice.facts,
                "tried": marked,
                "first_subject": first,
                "event": "not_delivered",
                "ends": (recipient, delivery) != goes_on,
            },
        )
        for recipient, delivery in ways
    )


def personal_deliveries(person: Person) -> tuple[str, ...]:
    """The person's deliveries that reach them in person, in their order."""
    return tuple(delivery for delivery in person.deliveries if delivery in PERSONAL)


def _ways(notice: Notice, people: tuple[Person, ...]) -> Iterator[tuple[str, str]]:
    """(person, delivery) to try, best first; at least the log."""
    if notice.delivery not in PERSONAL:
        yield notice.recipient, "log"
        return
    by_id = {person.id: person for person in people}
    own = by_id.get(notice.recipient)
    found = []
    if own is not None:
        order = personal_deliveries(own)
        at = order.index(notice.delivery) + 1 if notice.delivery in order else 0
        others = [one for one in order[at:] + order[:at] if one != notice.delivery]
        found += [(own.id, others[0])] if others else []
    other = _next_person(notice, people)
    if other is not None:
        order = personal_deliveries(other)
        differing = [one for one in order if one != notice.delivery][:1]
        found += [(other.id, one) for one in order if one in (*differing, notice.delivery)]
    if not any(delivery != notice.delivery for _, delivery in found):
        found += [(notice.recipient, one) for one in PERSONAL if one != notice.delivery][:1]
    yield from dict.fromkeys(found)


def _next_person(notice: Notice, people: tuple[Person, ...]) -> Person | None:
    """The next person after the failed one who was not asked yet and can be reached."""
    asked = {way[0] for way in notice.facts.get("tried", ())} | {notice.recipient}
    by_id = {person.id: person for person in people}
    tell = [str(one) for one in notice.facts.get("tell", ())]
    at = tell.index(notice.recipient) + 1 if notice.recipient in tell else 0
    acting = [person.id for person in people if {"operator", "engineer"} & set(person.roles)]
    for name in [*tell[at:], *tell[:at], *acting]:
        person = by_id.get(name)
        if name not in asked and person is not None and personal_deliveries(person):
            return person
    return None
