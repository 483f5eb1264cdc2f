"""
A delivery that answers as a test says; it passes the suite of the real ones.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from pipeline.errors import DeliveryError
from pipeline.store.ledger import OutboxItem


@dataclass
class FakeDelivery:
    """
    Takes everything, but for the items for which `trouble` says why not.

    `gate` is waited for before each answer: a delivery that hangs until the test opens it.
    """

    name: str = "mail"
    trouble: Callable[[OutboxItem], DeliveryError | Exception | None] = lambda _item: None
    gate: threading.Event | None = None
    tried: list[OutboxItem] = field(default_factory=list)
    taken: list[OutboxItem] = field(default_factory=list)
    entered: threading.Event = field(default_factory=threading.Event)

    def deliver(self, item: OutboxItem, now_us: int) -> str:
        """Take the item, or fail as the test wants it."""
        self.tried.append(item)
        self.entered.set()
        if self.gate is not None:
            self.gate.wait(30.0)
        error = self.trouble(item)
        if error is not None:
            raise error
        self.taken.append(item)
        return f"taken by {self.name} at {now_us}"


def refuses(
    name: str = "mail", *, permanent: bool = False
) -> Callable[[OutboxItem], DeliveryError]:
    """A `trouble` that refuses everything."""
    return lambda _item: DeliveryError(name, "nobody there", permanent=permanent)
