"""
Drains the outbox: tries what is due, marks what was accepted, backs off, gives up, escalates.

An item is marked sent only after it was accepted, so a crash between the two tells twice and never
not at all. Decides from `now_us` and what the deliveries answer; reads no clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from pipeline.notify.delivery import Delivery
from pipeline.notify.escalate import also_tell
from pipeline.notify.lane import Attempt, Lane
from pipeline.notify.wording import span
from pipeline.site.models import Person
from pipeline.store.ledger import Notice, OutboxItem

SECOND_US = 1_000_000
FIRST_BACKOFF_S, LONGEST_BACKOFF_S, LONGEST_TOPIC_BACKOFF_S = 5, 900, 60
EXPIRE_AFTER_H = 72
ESCALATE_AFTER = 3
"""Failed tries after which the notice is told by another way as well."""
CLOSE_AFTER_S = 120
"""From a failure for good to the last try: the station commits what tells it by another way."""
STUCK_AFTER_S = 300
"""A lane without any progress for so long is given up and begun anew."""
BATCH = 50
"""Items a lane takes at once; a later, more urgent notice waits for no more than these."""


class Outbox(Protocol):
    """What the sender needs of the ledger."""

    def due(self, now_us: int, limit: int) -> Sequence[OutboxItem]:
        """
        Unsent items whose next try is not after `now_us`, most urgent first.

        Of a topic only the oldest; what is past its `expires_us` is settled and not returned.
        """
        ...

    def mark_sent(self, number: int, now_us: int, detail: str, /) -> None:
        """The item was accepted."""
        ...

    def mark_failed(self, number: int, now_us: int, detail: str, next_us: int | None, /) -> None:
        """A try failed; None: it is the last."""
        ...


@dataclass(frozen=True)
class Failure:
    """A try that failed; `final`: this item will not be tried again (telling failed)."""

    item: OutboxItem
    detail: str
    final: bool


@dataclass(frozen=True)
class DrainReport:
    """
    What one call of `drain` did.

    `also_tell` are new notices that the station commits to the outbox before it calls `drain`
    again. `undeliverable` says for each way that fails for now (`mail:a.person`) why: the station
    fault `notice_undeliverable` stands as long as it is not empty. `in_flight` items are still
    with their delivery.
    """

    sent: tuple[OutboxItem, ...] = ()
    failed: tuple[Failure, ...] = ()
    also_tell: tuple[Notice, ...] = ()
    undeliverable: Mapping[str, str] = field(default_factory=dict)
    in_flight: int = 0


@dataclass(frozen=True)
class SenderStatistics:
    """Counts since the start of the process."""

    sent: int
    failed: int
    given_up: int


class OutboxSender:
    """
    Sends the notices of one structure; called by one thread.

    Args:
        outbox: the ledger.
        deliveries: one for each name that notices use.
        people: of the site, for whom to tell instead.
        wait_s: how long one `drain` waits for each delivery. What takes longer goes on beside and
            is collected by a later call, so one call lasts at most about `wait_s` times the number
            of deliveries.
        limit: how many due items one call looks at.
    """

    def __init__(
        self,
        outbox: Outbox,
        deliveries: Iterable[Delivery],
        people: tuple[Person, ...],
        *,
        wait_s: float = 2.0,
        limit: int = 1000,
    ) -> None:
        self._outbox = outbox
        self._lanes = {delivery.name: Lane(delivery) for delivery in deliveries}
        self._people = people
        self._wait_s = wait_s
        self._limit = limit
        self._undeliverable: dict[str, str] = {}
        self._looked_us = 0
        self._escalated: set[int] = set()
        self._report = _Growing()
        self._sent = self._failed = self._final = 0

    def drain(self, now_us: int) -> DrainReport:
        """
        Try what is due and mark what came of it; see `DrainReport`.

        Args:
            now_us: [µs since 1970 UTC].

        Raises:
            StorageError: the ledger cannot be written. What was accepted and not marked is told
                again.
        """
        self._report = _Growing()
        self._mark(self._collect(now_us), now_us)
        self._mark(self._start(now_us), now_us)
        for lane in self._lanes.values():
            lane.wait(self._wait_s)
        self._mark(self._collect(now_us), now_us)
        return DrainReport(
            tuple(self._report.sent),
            tuple(self._report.failed),
            tuple(self._report.also_tell),
            dict(self._undeliverable),
            sum(len(lane.in_flight) for lane in self._lanes.values()),
        )

    def statistics(self) -> SenderStatistics:
        """Counts since the start of the process."""
        return SenderStatistics(self._sent, self._failed, self._final)

    def _collect(self, now_us: int) -> list[Attempt]:
        lanes = self._lanes.values()
        return [a for lane in lanes for a in lane.collect(now_us, STUCK_AFTER_S * SECOND_US)]

    def _start(self, now_us: int) -> list[Attempt]:
        """Hand due items to idle lanes; the attempts that failed without being sent."""
        busy = frozenset().union(*(lane.in_flight for lane in self._lanes.values()))
        self._looked_us = max(self._looked_us, now_us)
        due = [item for item in self._outbox.due(now_us, self._limit) if item.id not in busy]
        refused, batches = [], dict[str, list[OutboxItem]]()
        for item in due:
            name = item.notice.delivery
            reason = _expired(item, now_us)
            if reason:
                refused.append(Attempt(item, False, reason, permanent=True))
            elif name in self._lanes:
                batches.setdefault(name, []).append(item)
            else:
                known = ", ".join(self._lanes)
                reason = f'no delivery "{name}" is set up, only {known}. Set it up in site.toml'
                refused.append(Attempt(item, False, reason, permanent=True))
        for name, batch in batches.items():
            if not self._lanes[name].is_busy:
                self._lanes[name].start(batch[:BATCH], now_us)
        return refused

    def _mark(self, attempts: Iterable[Attempt], now_us: int) -> None:
        for attempt in attempts:
            expires_us = attempt.item.notice.expires_us
            if expires_us is not None and expires_us <= self._looked_us:
                # It expired while on its way and the outbox settled it when it was asked.
                self._escalated.discard(attempt.item.id)
            elif attempt.accepted:
                self._outbox.mark_sent(attempt.item.id, now_us, attempt.detail)
                self._undeliverable.pop(_way(attempt.item), None)
                self._escalated.discard(attempt.item.id)
                self._report.sent.append(attempt.item)
                self._sent += 1
            else:
                self._not_accepted(attempt, now_us)

    def _not_accepted(self, attempt: Attempt, now_us: int) -> None:
        """
        Mark a failed try; once an item, give the notices that tell it by another way.

        An item is not closed in the call that gives them but after its next try, when the station
        has committed them: a crash between would otherwise leave nobody told.
        """
        item, tries = attempt.item, attempt.item.attempts + 1
        was_escalated = item.id in self._escalated
        is_final = attempt.permanent and was_escalated
        self._failed += 1
        if attempt.permanent or tries >= ESCALATE_AFTER:
            self._undeliverable[_way(item)] = attempt.detail
            if not was_escalated:
                self._escalated.add(item.id)
                self._report.also_tell += also_tell(item.notice, attempt.detail, self._people)
        wait_us = backoff_us(tries, bool(item.notice.topic))
        if attempt.permanent and not item.notice.topic:
            wait_us = CLOSE_AFTER_S * SECOND_US
        self._outbox.mark_failed(
            item.id, now_us, attempt.detail, None if is_final else now_us + wait_us
        )
        if is_final:
            self._final += 1
            self._escalated.discard(item.id)
        self._report.failed.append(Failure(item, attempt.detail, is_final))


@dataclass
class _Growing:
    """The report of the call that runs."""

    sent: list[OutboxItem] = field(default_factory=list)
    failed: list[Failure] = field(default_factory=list)
    also_tell: list[Notice] = field(default_factory=list)


def backoff_us(tries: int, is_topic: bool = False) -> int:
    """
    How long to wait [µs] after `tries` failed ones (from 1): 5 s, doubling up to 15 min.

    On a topic up to 1 min only: newer states of the topic wait behind the one that failed.
    """
    longest = LONGEST_TOPIC_BACKOFF_S if is_topic else LONGEST_BACKOFF_S
    # The shift is bounded so that the number stays small after days of failures.
    return min(longest, FIRST_BACKOFF_S << min(tries - 1, 16)) * SECOND_US


def _expired(item: OutboxItem, now_us: int) -> str:
    """Why an item is not tried any more, or empty."""
    age = now_us - item.created_us
    # At least one try for everyone, however long the station was off.
    if item.attempts and age > EXPIRE_AFTER_H * 3600 * SECOND_US:
        return f"{item.notice.delivery}: given up after {span(age)} and {item.attempts} tries"
    return ""


def _way(item: OutboxItem) -> str:
    notice = item.notice
    return f"{notice.delivery}:{notice.recipient}" if notice.recipient else notice.delivery
