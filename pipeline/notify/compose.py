"""
From an alarm's transition to the notices that tell it: who, by which delivery, on which topic.

Pure: the same transition and configuration give the same notices, so a replay after a crash does
not tell anything else.
"""

from __future__ import annotations

from pipeline.alarms.lifecycle import SILENCED, Event, State
from pipeline.alarms.transition import RULE_REMOVED, Transition
from pipeline.notify.escalate import personal_deliveries
from pipeline.notify.message import headline, rule_named, subject_of, text_of
from pipeline.notify.topics import ALARM_EXPIRY_S, Publication, alarm_topic, json_payload
from pipeline.notify.wording import MICROSECONDS, iso_utc, point_named
from pipeline.site.models import Person, Site, Structure
from pipeline.store.ledger import Notice

QUIET_EVENTS = frozenset(
    {
        Event.ACKNOWLEDGED,
        Event.RESET,
        Event.SHELVED,
        Event.UNSHELVED_NORMAL,
        Event.SUPPRESSED,
        Event.RELEASED_NORMAL,
        Event.TAKEN_OUT_OF_SERVICE,
        Event.IN_SERVICE_NORMAL,
    }
)
"""What somebody did on purpose and leaves nothing to do: told by log and MQTT, not by mail."""


def compose(transition: Transition, structure: Structure, site: Site) -> tuple[Notice, ...]:
    """
    The notices that tell one transition, most direct first.

    Loud: every person of the rule's `tell` by each of their own deliveries. Quiet: one line in
    the log. Silenced (shelved, suppressed or out of service, and staying so): nobody. In each
    case also the alarm's retained MQTT topic, unless the transition is retrospective: the topic
    shows the present. A rule that is no longer configured, or that names nobody who can be
    reached, is told to every operator and engineer of the site, and if there is none, to the log.
    """
    subject, text = subject_of(transition, structure), text_of(transition, structure, site)
    told = people_told(transition.rule, structure, site)
    facts = {
        "structure": structure.id,
        "event": transition.event,
        "rule": transition.rule,
        "point": transition.point,
        "occurred_us": transition.occurred_us,
        "detected_us": transition.detected_us,
        "tell": [person.id for person in told],
    }
    ways = [(who.id, one) for who in told for one in personal_deliveries(who)]
    if _is_silenced(transition):
        ways = []
    elif _is_quiet(transition) or not ways:
        ways = [("", "log")]
    notices = [
        Notice(
            delivery=delivery,
            recipient=recipient,
            subject=subject,
            body=text,
            priority=transition.priority,
            alarm=transition.alarm,
            facts=facts,
        )
        for recipient, delivery in ways
    ]
    if not transition.retrospective:
        notices.append(_retained(transition, structure, site, facts))
    return tuple(notices)


def _is_silenced(transition: Transition) -> bool:
    return (
        transition.before in SILENCED
        and transition.after == transition.before
        and (transition.event != Event.SHELVED)
    )


def _is_quiet(transition: Transition) -> bool:
    if transition.event == RULE_REMOVED:
        return transition.before == State.NORMAL
    return transition.event in QUIET_EVENTS


def people_told(rule: str, structure: Structure, site: Site) -> tuple[Person, ...]:
    """The reachable people of a rule's `tell` in its order, else all operators and engineers."""
    by_id = {person.id: person for person in site.people}
    found = rule_named(structure, rule)
    named = [by_id[one] for one in found.tell if one in by_id] if found else []
    reachable = tuple(person for person in named if personal_deliveries(person))
    return reachable or tuple(
        person
        for person in site.people
        if {"operator", "engineer"} & set(person.roles) and personal_deliveries(person)
    )


def alarm_publication(
    transition: Transition, structure: Structure, site: Site, now_us: int
) -> Publication:
    """
    The retained message that shows an alarm's state, from its last transition.

    The station publishes it again well within `ALARM_EXPIRY_S`, else the topic goes away.

    Args:
        transition: the alarm's last one.
        structure: on which it is.
        site: of the structure.
        now_us: [µs since 1970 UTC], when it is published.
    """
    point = point_named(structure, transition.point)
    facts = {
        "structure": structure.id,
        "alarm": transition.alarm,
        "rule": transition.rule,
        "point": transition.point,
        "member": point.member if point else "",
        "quantity": point.quantity if point else "",
        "what": headline(transition, structure),
        "state": transition.after,
        "event": transition.event,
        "priority": transition.priority,
        "value": transition.value,
        "u": transition.u,
        "limit": transition.limit,
        "unit": transition.unit,
        "crossing": transition.crossing,
        "detail": transition.detail,
        "by": transition.by,
        "comment": transition.comment,
        "occurred": iso_utc(transition.occurred_us),
        "detected": iso_utc(transition.detected_us),
        "late": transition.late,
        "retrospective": transition.retrospective,
    }
    topic = alarm_topic(site.broker.prefix, structure.id, transition.alarm)
    return Publication(topic, json_payload(facts, now_us, ALARM_EXPIRY_S), ALARM_EXPIRY_S)


def _retained(
    transition: Transition, structure: Structure, site: Site, facts: dict[str, object]
) -> Notice:
    now_us = transition.detected_us
    publication = alarm_publication(transition, structure, site, now_us)
    return Notice(
        delivery="mqtt",
        recipient="",
        subject=subject_of(transition, structure),
        body=publication.payload,
        priority=transition.priority,
        alarm=transition.alarm,
        topic=publication.topic,
        expires_us=now_us + publication.expiry_s * MICROSECONDS,
        facts=facts,
    )
