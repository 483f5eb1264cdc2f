"""
Who is told of which transition, by which delivery, and what stands on the alarm's topic.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from pipeline.alarms.lifecycle import TABLE
from pipeline.alarms.transition import REMOVED, RULE_REMOVED
from pipeline.notify.compose import alarm_publication, compose
from pipeline.site.models import Site
from tests.notify.scenario import HIGH, HOUR, KIT, NOW, VERA, site, structure, transition

LOUD = {("mail", "w.tarrant"), ("log", "w.tarrant"), ("mail", "o.pell")}
TOPIC = ("mqtt", "")


def ways(whole: Site | None = None, **changes: Any) -> set[tuple[str, str]]:
    """(delivery, recipient) of the notices about a changed transition."""
    notices = compose(transition(**changes), structure(), whole or site())
    return {(notice.delivery, notice.recipient) for notice in notices}


@pytest.mark.parametrize(
    ("event", "before", "after"),
    [
        ("occurred", "normal", "unacknowledged"),
        ("re_alarmed", "acknowledged", "unacknowledged"),
        ("returned", "unacknowledged", "returned"),
        ("returned_latched", "unacknowledged", "latched_unacknowledged"),
        ("unshelved_alarm", "shelved", "unacknowledged"),
        ("unshelved_latched", "shelved", "latched_unacknowledged"),
        ("in_service_alarm", "out_of_service", "unacknowledged"),
        (RULE_REMOVED, "unacknowledged", REMOVED),
    ],
)
def test_what_asks_for_a_person_is_told_to_all_by_all_their_ways(
    event: str, before: str, after: str
) -> None:
    """Each person of the rule is told by each of their deliveries, and the topic is set."""
    told = ways(event=event, before=before, after=after)

    assert told == LOUD | {TOPIC}


@pytest.mark.parametrize(
    ("event", "before", "after"),
    [
        ("acknowledged", "unacknowledged", "acknowledged"),
        ("reset", "latched_acknowledged", "normal"),
        ("shelved", "unacknowledged", "shelved"),
        ("shelved", "shelved", "shelved"),
        ("unshelved_normal", "shelved", "normal"),
        ("taken_out_of_service", "normal", "out_of_service"),
        (RULE_REMOVED, "normal", REMOVED),
    ],
)
def test_what_a_person_did_goes_to_log_and_topic(event: str, before: str, after: str) -> None:
    """An act on purpose is logged once and shown on the topic, without mail."""
    told = ways(event=event, before=before, after=after)

    assert told == {("log", ""), TOPIC}


@pytest.mark.parametrize("state", ["shelved", "suppressed", "out_of_service"])
@pytest.mark.parametrize("event", ["occurred", "returned", "re_alarmed"])
def test_a_silenced_alarm_is_shown_and_not_told(state: str, event: str) -> None:
    """What happens behind a shelf changes the topic and disturbs nobody."""
    told = ways(event=event, before=state, after=state)

    assert told == {TOPIC}


def test_every_step_into_alarm_is_told_to_a_person() -> None:
    """Of the whole life cycle, no step that ends unacknowledged leaves people out."""
    steps = [(b, e, a) for (b, e), a in TABLE.items() if a == "unacknowledged"]
    told = [ways(event=e, before=b, after=a) for b, e, a in steps]

    assert len(steps) >= 8
    assert all(one >= LOUD for one in told)


def test_a_retrospective_step_leaves_the_topic_alone() -> None:
    """The topic shows the present; what a rebuild found is told to people only."""
    told = ways(retrospective=True)

    assert told == LOUD


def test_a_rule_that_is_gone_is_told_to_all_who_act() -> None:
    """Without a rule every operator and engineer is told, and nobody who only looks."""
    told = ways(rule="gone")

    assert told == LOUD | {("log", "k.dunmore"), ("mail", "k.dunmore"), TOPIC}


def test_a_rule_that_reaches_nobody_falls_back_too() -> None:
    """People who are unknown or have MQTT only cannot be told in person; others are."""
    unreachable = KIT.model_copy(update={"deliveries": ("mqtt",)})
    whole = site(people=(unreachable, VERA))
    rule = HIGH.model_copy(update={"tell": ("k.dunmore", "nobody")})
    notices = compose(transition(), structure(rules=(rule,)), whole)

    assert [(one.delivery, one.recipient) for one in notices] == [("log", ""), TOPIC]


def test_notices_are_the_same_when_composed_again() -> None:
    """A replay after a crash tells nothing else."""
    first = compose(transition(), structure(), site())

    assert compose(transition(), structure(), site()) == first


def test_topic_notice_carries_the_state_as_json_with_an_expiry() -> None:
    """The retained message says what stands in the notice and when it stops to be true."""
    told = compose(transition(), structure(), site())[-1]
    payload = json.loads(told.body)

    assert told.topic == "spanwarden/quillmere/alarms/deck-high.D3"
    assert told.expires_us == NOW + HOUR
    assert payload == {
        "structure": "quillmere",
        "alarm": "deck-high.D3",
        "rule": "deck-high",
        "point": "D3",
        "member": "girder G2",
        "quantity": "strain",
        "what": "strain above limit at D3",
        "state": "unacknowledged",
        "event": "occurred",
        "priority": "high",
        "value": 412.3,
        "u": 9.0,
        "limit": 400.0,
        "unit": "µm/m",
        "crossing": "value",
        "detail": "",
        "by": "",
        "comment": "",
        "occurred": "2027-07-01T12:03:05.000000Z",
        "detected": "2027-07-01T12:03:05.000000Z",
        "late": False,
        "retrospective": False,
        "published": "2027-07-01T12:03:05.000000Z",
        "expires": "2027-07-01T13:03:05.000000Z",
    }


def test_renewed_publication_has_a_new_expiry() -> None:
    """The station keeps a standing state alive by publishing it again."""
    told = alarm_publication(transition(), structure(), site(), NOW + 2 * HOUR)

    assert json.loads(told.payload)["expires"] == "2027-07-01T15:03:05.000000Z"
    assert told.expiry_s == 3600


def test_a_value_that_is_not_a_number_is_null_on_the_topic() -> None:
    """JSON knows no NaN."""
    told = compose(transition(value=float("nan"), u=float("inf")), structure(), site())[-1]
    payload = json.loads(told.body, parse_constant=pytest.fail)

    assert payload["value"] is None
    assert payload["u"] is None
