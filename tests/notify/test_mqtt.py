"""
The MQTT delivery: what it hands to the client, and what it refuses to leave standing.
"""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.errors import DeliveryError
from pipeline.notify.mqtt import MqttDelivery
from tests.notify.post_office import refusal
from tests.notify.scenario import HOUR, NOW, SECOND, item, notice, retained


def confirming(published: list[tuple[Any, ...]]) -> MqttDelivery:
    """A delivery to a broker that confirms everything and keeps it in `published`."""

    def publish(topic: str, payload: str, retain: bool, expiry_s: int) -> bool:
        published.append((topic, payload, retain, expiry_s))
        return True

    return MqttDelivery(publish)


@pytest.mark.parametrize(
    ("passed_us", "expiry_s"), [(0, 3600), (50 * 60 * SECOND, 600), (HOUR - 1, 1)]
)
def test_a_late_message_lives_only_for_what_is_left(passed_us: int, expiry_s: int) -> None:
    """A notice that waited is retained until its own expiry, not for a whole life again."""
    published: list[tuple[Any, ...]] = []
    delivery = confirming(published)
    delivery.deliver(item(retained()), NOW + passed_us)

    assert published == [
        (
            "spanwarden/quillmere/alarms/deck-high.D3",
            '{"state":"unacknowledged"}',
            True,
            expiry_s,
        )
    ]


def test_what_the_broker_did_not_confirm_was_not_told() -> None:
    """Without a confirmation the notice is tried again."""
    error = refusal(MqttDelivery(lambda *_message: False), retained())

    assert not error.permanent
    assert str(error) == (
        "mqtt: the broker did not confirm the message on spanwarden/quillmere/alarms/deck-high.D3. "
        "Look at the broker's log and at `spanwarden doctor`"
    )


def test_an_expired_state_is_not_published() -> None:
    """A state that is no longer known to be true is never set."""
    published: list[tuple[Any, ...]] = []
    delivery = confirming(published)
    with pytest.raises(DeliveryError) as raised:
        delivery.deliver(item(retained()), NOW + HOUR)

    assert raised.value.permanent
    assert "expired before it could be published" in str(raised.value)
    assert published == []


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (notice(delivery="mqtt"), 'notice 7 of alarm "deck-high.D3" has no topic'),
        (notice(delivery="mqtt", topic="a/b"), "notice 7 on a/b has no expiry"),
    ],
)
def test_a_notice_that_could_stand_for_ever_is_refused(told: Any, words: str) -> None:
    """Without topic or expiry nothing is retained."""
    error = refusal(MqttDelivery(lambda *_message: True), told)

    assert error.permanent
    assert words in str(error)
