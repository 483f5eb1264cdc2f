"""
Tells by MQTT: the notice's body as a retained message on its topic, with what is left of its life.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.errors import DeliveryError
from pipeline.notify.wording import MICROSECONDS
from pipeline.store.ledger import OutboxItem

Publish = Callable[[str, str, bool, int], bool]
"""(topic, payload, retain, expiry [s]) to whether the broker confirmed it within its time-out."""


@dataclass(frozen=True)
class MqttDelivery:
    """Publishes through `publish`, which answers True only for a message the broker confirmed."""

    publish: Publish
    name: str = "mqtt"

    def deliver(self, item: OutboxItem, now_us: int) -> str:
        """See `Delivery.deliver`; a notice without topic or past its expiry is refused for good."""
        notice = item.notice
        if not notice.topic:
            raise DeliveryError(
                self.name,
                f'notice {item.id} of alarm "{notice.alarm}" has no topic; this is a fault of '
                "the software, please report it",
                permanent=True,
            )
        if notice.expires_us is None:
            raise DeliveryError(
                self.name,
                f"notice {item.id} on {notice.topic} has no expiry; a retained message without "
                "one would outlive the station. This is a fault of the software, please report it",
                permanent=True,
            )
        left_us = notice.expires_us - now_us
        if left_us <= 0:
            raise DeliveryError(
                self.name,
                f"notice {item.id} on {notice.topic} expired before it could be published; the "
                "station publishes the present state itself",
                permanent=True,
            )
        # Rounded up: an expiry of 0 would mean that the broker drops the message at once.
        if not self.publish(notice.topic, notice.body, True, -(-left_us // MICROSECONDS)):
            raise DeliveryError(
                self.name,
                f"the broker did not confirm the message on {notice.topic}. Look at the broker's "
                "log and at `spanwarden doctor`",
            )
        return f"confirmed by the broker on {notice.topic}"
