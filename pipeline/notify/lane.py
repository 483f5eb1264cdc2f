"""
One delivery on a thread of its own, so that a hung mail server holds back nothing but mail.

A lane sends one batch at a time. Only its own thread touches the network, only the caller's thread
touches the ledger; between them goes a queue of attempts, no longer than the batch.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.errors import DeliveryError
from pipeline.notify.delivery import Delivery
from pipeline.store.ledger import OutboxItem

GIVE_UP_AFTER = 3
"""Failures in a row that are not one recipient's: the rest of the batch waits for the next."""

_BUG = "the delivery ended in a fault of the software; its traceback is in the station's log"


@dataclass(frozen=True)
class Attempt:
    """What became of one try: `accepted`, or not and then perhaps `permanent`; `detail` says."""

    item: OutboxItem
    accepted: bool
    detail: str
    permanent: bool = False


class Lane:
    """
    Sends batches by `delivery`; not for use by more than one calling thread.

    The thread is a daemon: a stop of the station does not wait for a mail server. What was on its
    way then is told again after the start, since it was never marked as sent.
    """

    def __init__(self, delivery: Delivery) -> None:
        self.delivery = delivery
        self._attempts: queue.SimpleQueue[Attempt] = queue.SimpleQueue()
        self._given_up = threading.Event()
        self._thread: threading.Thread | None = None
        self._batch: tuple[OutboxItem, ...] = ()
        self._started_us = 0
        self._seen = 0

    @property
    def is_busy(self) -> bool:
        """Whether the last batch is still on its way or has attempts nobody collected."""
        return bool(self._batch)

    @property
    def in_flight(self) -> frozenset[int]:
        """Numbers of the items of the current batch."""
        return frozenset(item.id for item in self._batch)

    def start(self, batch: Sequence[OutboxItem], now_us: int) -> None:
        """Begin to send `batch` in its order; only when the lane is not busy."""
        if self.is_busy:
            raise RuntimeError(f"lane {self.delivery.name} is busy; collect its attempts first")
        self._batch, self._started_us, self._seen = tuple(batch), now_us, 0
        self._attempts, self._given_up = queue.SimpleQueue(), threading.Event()
        # The thread gets its own queue and event: given up for stuck, it can disturb nothing.
        self._thread = threading.Thread(
            target=_send,
            args=(self.delivery, self._batch, now_us, self._attempts, self._given_up),
            name=f"notify-{self.delivery.name}",
            daemon=True,
        )
        self._thread.start()

    def wait(self, seconds: float) -> None:
        """Until the batch is done, at most `seconds`."""
        if self._thread is not None:
            self._thread.join(seconds)

    def collect(self, now_us: int, stuck_after_us: int) -> tuple[Attempt, ...]:
        """
        The attempts made since the last call.

        A batch that made none of its sends within `stuck_after_us` of the last sign of progress is
        given up: the item it hangs on counts as not accepted, and the lane is free again.
        """
        done = self._thread is None or not self._thread.is_alive()
        found = []
        while not self._attempts.empty():
            found.append(self._attempts.get_nowait())
        if found:
            self._seen += len(found)
            self._started_us = now_us
        elif not done and now_us - self._started_us > stuck_after_us:
            self._given_up.set()
            hung = self._batch[min(self._seen, len(self._batch) - 1)]
            seconds = stuck_after_us // 1_000_000
            found.append(Attempt(hung, False, f"{self.delivery.name}: no answer in {seconds} s"))
            done = True
        if done:
            self._batch, self._thread = (), None
        return tuple(found)


def _send(
    delivery: Delivery,
    batch: tuple[OutboxItem, ...],
    now_us: int,
    attempts: queue.SimpleQueue[Attempt],
    given_up: threading.Event,
) -> None:
    failures = 0
    for item in batch:
        if given_up.is_set() or failures >= GIVE_UP_AFTER:
            return
        attempt = Attempt(item, False, f"{delivery.name}: {_BUG}")
        try:
            attempt = Attempt(item, True, delivery.deliver(item, now_us))
            failures = 0
        except DeliveryError as error:
            attempt = Attempt(item, False, str(error), error.permanent)
            failures += not error.permanent
        finally:
            # Also on a bug: the exception then ends this thread and is logged, the item is
            # counted as failed, and the next batch begins on a new thread.
            attempts.put(attempt)
