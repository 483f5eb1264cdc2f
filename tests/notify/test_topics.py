"""
Topics and payloads that the station publishes.
"""

from __future__ import annotations

import json

from pipeline.notify.topics import alarm_topic, station_status, station_topic, station_will
from tests.notify.scenario import NOW


def test_topics_are_those_of_the_contract() -> None:
    """Alarm and station topics stand under prefix and structure."""
    alarm, station = alarm_topic("site-a", "deck", "deck-high.D3"), station_topic("site-a", "deck")

    assert alarm == "site-a/deck/alarms/deck-high.D3"
    assert station == "site-a/deck/station"


def test_a_name_cannot_leave_its_level_of_the_topic() -> None:
    """Separators, wildcards and control characters are escaped, so that no two names meet."""
    topic = alarm_topic("site-a", "deck", "a/b+c#d%2F\n")

    assert topic == "site-a/deck/alarms/a%2Fb%2Bc%23d%252F%0A"


def test_status_says_when_it_expires() -> None:
    """A receiver can tell a dead station even where the broker knows no expiry."""
    status = station_status("site-a", "deck", "running", {"backlog": 3}, NOW)

    assert status.topic == "site-a/deck/station"
    assert status.expiry_s == 300
    assert json.loads(status.payload) == {
        "structure": "deck",
        "state": "running",
        "backlog": 3,
        "published": "2027-07-01T12:03:05.000000Z",
        "expires": "2027-07-01T12:08:05.000000Z",
    }


def test_will_says_lost_on_the_same_topic() -> None:
    """What the broker publishes for a dead worker replaces its last status."""
    will = station_will("site-a", "deck")

    assert will.topic == "site-a/deck/station"
    assert json.loads(will.payload) == {"structure": "deck", "state": "lost"}
