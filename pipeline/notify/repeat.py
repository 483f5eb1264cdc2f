"""
Nobody acknowledged: the alarm is told again, and to somebody else as well.

Pure: the open alarms and now in, notices out. The station asks at each tick and keeps when an
alarm was last told.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.alarms.transition import Transition
from pipeline.notify.compose import people_told
from pipeline.notify.escalate import personal_deliveries
from pipeline.notify.message import needs_acknowledgement, rule_named, subject_of, text_of
from pipeline.notify.wording import both_times, one_line, span
from pipeline.site.models import Person, Site, Structure
from pipeline.store.ledger import Notice

MINUTE_US = 60_000_000
LONGEST_MIN = 24 * 60
"""However long nobody acknowledges, it is told again at least so often."""
DEFAULT_RESPOND_MIN = 60.0
"""For an alarm whose rule left the configuration."""


@dataclass(frozen=True)
class Waiting:
    """
    An alarm that waits for acknowledgement.

    `transition` is the alarm's last one that was told, `raised_us` when the present wait began
    and `last_told_us` when it was last told, by raise or reminder [µs since 1970 UTC].
    """

    transition: Transition
    raised_us: int
    last_told_us: int


def reminders(
    waiting: Iterable[Waiting], structure: Structure, site: Site, now_us: int
) -> tuple[Notice, ...]:
    """
    Notices for the alarms whose time to respond went by without an acknowledgement.

    The first after the rule's `respond_within_min`, then after as long again as it has waited by
    then (so at 1, 2, 4, … times), at least daily. Each goes to all whom the rule tells, and from
    the first on to one more operator or engineer of the site, another one each time. An alarm
    that waits for nobody is passed over, whatever the caller says.

    Args:
        waiting: alarms of `structure`, at most once each.
        structure: whose rules say who is told and how soon.
        site: whose people are asked when the rule's own do not answer.
        now_us: [µs since 1970 UTC].

    Returns:
        Notices with the fact `event` "reminder"; the caller sets `last_told_us` of their alarms.
    """
    notices: list[Notice] = []
    for one in waiting:
        if needs_acknowledgement(one.transition) and now_us >= next_reminder_us(one, structure):
            notices += _remind(one, structure, site, now_us)
        elif needs_acknowledgement(one.transition) and one.last_told_us > now_us:
            # The clock stepped back: nobody knows how long ago that was, so tell.
            notices += _remind(one, structure, site, now_us)
    return tuple(notices)


def next_reminder_us(one: Waiting, structure: Structure) -> int:
    """When the next reminder is due [µs since 1970 UTC]."""
    respond_us = respond_within_us(one.transition.rule, structure)
    waited_us = max(one.last_told_us - one.raised_us, respond_us)
    return one.last_told_us + min(waited_us, max(LONGEST_MIN * MINUTE_US, respond_us))


def respond_within_us(rule: str, structure: Structure) -> int:
    """The rule's time to respond [µs], at least a minute."""
    found = rule_named(structure, rule)
    minutes = found.respond_within_min if found else DEFAULT_RESPOND_MIN
    return max(MINUTE_US, round(minutes * MINUTE_US))


def _remind(one: Waiting, structure: Structure, site: Site, now_us: int) -> list[Notice]:
    transition = one.transition
    told = people_told(transition.rule, structure, site)
    another = _somebody_else(one, told, structure, site)
    waited = span(max(now_us - one.raised_us, 0))
    names = ", ".join(one_line(person.name) for person in told) or "nobody (see the log)"
    head = (
        f"NOBODY HAS ACKNOWLEDGED this alarm for {waited}, since "
        f"{both_times(one.raised_us, site.timezone)}. It was told to {names}."
    )
    if another is not None:
        head += f" It now goes to {one_line(another.name)} as well."
    head += " Acknowledge it, or call somebody who can.\n\n"
    people = [*told, *([another] if another else [])]
    ways = [(who.id, way) for who in people for way in personal_deliveries(who)]
    return [
        Notice(
            delivery=delivery,
            recipient=recipient,
            subject=f"NOT ACKNOWLEDGED for {waited}: {subject_of(transition, structure)}",
            body=head + text_of(transition, structure, site),
            priority=transition.priority,
            alarm=transition.alarm,
            facts={
                "structure": structure.id,
                "event": "reminder",
                "rule": transition.rule,
                "point": transition.point,
                "raised_us": one.raised_us,
                "tell": [person.id for person in people],
            },
        )
        for recipient, delivery in ways or [("", "log")]
    ]


def _somebody_else(
    one: Waiting, told: tuple[Person, ...], structure: Structure, site: Site
) -> Person | None:
    """An operator or engineer whom the rule does not tell, another one at each reminder."""
    others = [
        person
        for person in site.people
        if person not in told
        and {"operator", "engineer"} & set(person.roles)
        and personal_deliveries(person)
    ]
    if not others:
        return None
    waited = max(one.last_told_us - one.raised_us, 0) // respond_within_us(
        one.transition.rule, structure
    )
    # The waits double, so the number of binary digits counts the reminders before this one.
    return others[waited.bit_length() % len(others)]
