"""
The bounded queue between the network thread and the writer; records leave it in groups.

When it is full a putter waits; what it does when that takes too long is for it to say.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.store.spool import Record


@dataclass
class Receipt:
    """Tells whoever submitted records whether they are durable."""

    is_durable: bool = False
    _told: threading.Event = field(default_factory=threading.Event)

    def tell(self, *, is_durable: bool) -> None:
        """Say how it ended; only the first time counts."""
        if not self._told.is_set():
            self.is_durable = is_durable
            self._told.set()

    def wait(self, timeout_s: float) -> bool:
        """Whether the records are durable; False too when that is not known in time."""
        return self._told.wait(timeout_s) and self.is_durable


@dataclass(slots=True)
class Entry:
    """
    One thing to write and then to answer.

    `record` None: nothing to write, only to acknowledge. `packet` 0: nothing to acknowledge; else
    the packet id, which means something only together with the connection's `generation`.
    """

    record: Record | None
    packet: int = 0
    generation: int = 0
    receipt: Receipt | None = None
    arrived_s: float = 0.0
    """Monotonic."""

    @property
    def size(self) -> int:
        """Bytes of the payload."""
        return 0 if self.record is None else len(self.record.payload)


class RecordQueue:
    """
    Entries in the order in which they were put, bounded by number and by bytes of payload.

    Entries that are larger than the bound on their own are taken when the queue is empty.
    """

    def __init__(self, max_entries: int, max_bytes: int) -> None:
        self._max_entries = max_entries
        self._max_bytes = max_bytes
        self._entries: deque[Entry] = deque()
        self._bytes = 0
        self._wanted = 1
        self._wanted_bytes = max_bytes
        self._is_closed = False
        lock = threading.Lock()
        self._changed = threading.Condition(lock)
        self._has_room = threading.Condition(lock)

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def is_closed(self) -> bool:
        """Whether nothing more is taken."""
        return self._is_closed

    def put(self, entries: Sequence[Entry], timeout_s: float) -> bool:
        """Append all entries, waiting for room; False: none was, there was no room or it closed."""
        size = sum(entry.size for entry in entries)
        with self._changed:
            if not self._fits(len(entries), size):
                self._has_room.wait_for(lambda: self._fits(len(entries), size), timeout_s)
            if self._is_closed or not self._fits(len(entries), size):
                return False
            arrived_s = time.monotonic()
            for entry in entries:
                entry.arrived_s = arrived_s
            self._entries.extend(entries)
            self._bytes += size
            if len(self._entries) >= self._wanted or self._bytes >= self._wanted_bytes:
                self._changed.notify()
            return True

    def take_group(
        self, *, window_s: float, enough: int, max_entries: int, max_bytes: int, idle_s: float
    ) -> list[Entry]:
        """
        The oldest entries, at least one and at most `max_entries` or about `max_bytes`.

        Waits `idle_s` for the first, then until `window_s` after its arrival, or until `enough`
        entries or `max_bytes` are there, or the queue closes. Empty: nothing came.
        """
        with self._changed:
            self._wait(1, max_bytes, idle_s)
            if not self._entries:
                return []
            left_s = self._entries[0].arrived_s + window_s - time.monotonic()
            if left_s > 0:
                self._wait(enough, max_bytes, left_s)
            group: list[Entry] = []
            size = 0
            while self._entries and len(group) < max_entries and size < max_bytes:
                entry = self._entries.popleft()
                size += entry.size
                group.append(entry)
            self._bytes -= size
            self._has_room.notify_all()
            return group

    def drain(self) -> list[Entry]:
        """All entries that are left, at once."""
        with self._changed:
            left, self._bytes = list(self._entries), 0
            self._entries.clear()
            self._has_room.notify_all()
            return left

    def close(self) -> None:
        """Take nothing more; what is there can still be taken."""
        with self._changed:
            self._is_closed = True
            self._changed.notify_all()
            self._has_room.notify_all()

    def _fits(self, number: int, size: int) -> bool:
        if self._is_closed or not self._entries:
            return True
        return (
            len(self._entries) + number <= self._max_entries
            and self._bytes + size <= self._max_bytes
        )

    def _wait(self, entries: int, size: int, timeout_s: float) -> None:
        # A putter notifies only when these are reached, so that the writer is not woken a
        # thousand times for one group.
        self._wanted, self._wanted_bytes = entries, size
        self._changed.wait_for(
            lambda: len(self._entries) >= entries or self._bytes >= size or self._is_closed,
            timeout_s,
        )
        self._wanted, self._wanted_bytes = 1, self._max_bytes
