"""
The contract of a delivery: one way to send a notice, alike for log, mail and MQTT.

A delivery does not retry, keep a queue or decide who is told; `outbox` and `escalate` do.
"""

from __future__ import annotations

from typing import Protocol

from pipeline.store.ledger import OutboxItem


class Delivery(Protocol):
    """One way to send; `name` is what `Notice.delivery` calls it."""

    @property
    def name(self) -> str:
        """`log`, `mail` or `mqtt`."""
        ...

    def deliver(self, item: OutboxItem, now_us: int) -> str:
        """
        Send one notice and return only when the other side has taken responsibility for it.

        Args:
            item: the notice with its number in the outbox; never changed.
            now_us: [µs since 1970 UTC], for what is left until `item.notice.expires_us`.

        Returns:
            What was accepted, for the journal; one line without secrets.

        Raises:
            DeliveryError: it was not accepted, or nobody can tell whether it was. `permanent`
                means that the same notice to the same recipient can never be accepted.
        """
        ...
