"""
The thread that empties the queue into the spool in groups, and answers after each sync.

Nothing is answered before it is durable. After a failed spool nothing is answered any more.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from pipeline.errors import StorageError
from pipeline.ingest.record_queue import Entry, RecordQueue
from pipeline.store.spool import Record


class Appender(Protocol):
    """The part of the spool that the writer needs."""

    def append(self, records: Sequence[Record], *, sync: bool = True) -> int:
        """Append durably; raises StorageError when that failed, ValueError for a bad record."""


class GroupWriter:
    """
    Takes groups from the queue, appends and syncs them, and has them acknowledged.

    Args:
        queue: closed, the writer empties it and ends.
        spool: where records go.
        acknowledge: given the entries of a durable group in their order.
        maintain: called at least about once a second, between groups.
        on_failure: told once when the spool failed, on this thread.
        window_s, enough, max_records, max_bytes: of a group; see `RecordQueue.take_group`.
    """

    def __init__(
        self,
        queue: RecordQueue,
        spool: Appender,
        *,
        acknowledge: Callable[[Sequence[Entry]], None],
        maintain: Callable[[], None],
        on_failure: Callable[[str], None],
        window_s: float,
        enough: int,
        max_records: int,
        max_bytes: int,
    ) -> None:
        self.failure: str | None = None
        self.appended = self.groups = self.unusable = 0
        self.max_delay_s = 0.0
        self._queue, self._spool = queue, spool
        self._acknowledge, self._maintain, self._on_failure = acknowledge, maintain, on_failure
        self._window_s, self._enough = window_s, enough
        self._max_records, self._max_bytes = max_records, max_bytes
        self._thread = threading.Thread(target=self._run, name="spool-writer", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def is_alive(self) -> bool:
        """Whether the thread runs and the spool has not failed."""
        return self.failure is None and self._thread.is_alive()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread's end; whether it has ended, or never begun."""
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            while self.failure is None:
                group = self._queue.take_group(
                    window_s=self._window_s,
                    enough=self._enough,
                    max_entries=self._max_records,
                    max_bytes=self._max_bytes,
                    idle_s=1.0,
                )
                if group:
                    self._store(group)
                elif self._queue.is_closed:
                    return
                self._maintain()
        finally:
            # Also when something unforeseen ended the thread: nobody may wait for it.
            self._queue.close()
            self._tell(self._queue.drain(), is_durable=False)

    def _store(self, group: list[Entry]) -> None:
        try:
            durable = self._append(group)
        except StorageError as error:
            self._tell(group, is_durable=False)
            self._fail(str(error))
            return
        self._acknowledge(durable)
        self._tell(durable, is_durable=True)
        self.groups += 1
        delay_s = time.monotonic() - group[0].arrived_s
        self.max_delay_s = max(self.max_delay_s, delay_s)

    def _append(self, group: list[Entry]) -> list[Entry]:
        """The entries of the group that are durable now: all, or all but unusable ones."""
        records = [entry.record for entry in group if entry.record is not None]
        try:
            if records:
                self._spool.append(records, sync=True)
        except ValueError:
            return self._append_singly(group)
        self.appended += len(records)
        return group

    def _append_singly(self, group: list[Entry]) -> list[Entry]:
        """As `_append`, one by one: a record that no frame can hold must not stop the others."""
        durable = []
        for entry in group:
            try:
                if entry.record is not None:
                    self._spool.append([entry.record], sync=True)
                    self.appended += 1
            except ValueError:
                self.unusable += 1
                self._tell([entry], is_durable=False)
            else:
                durable.append(entry)
        return durable

    def _fail(self, text: str) -> None:
        self.failure = (
            f"{text} No message is taken or acknowledged any more; the broker keeps them until "
            "the station was started again."
        )
        self._queue.close()
        self._on_failure(self.failure)

    def _tell(self, entries: Sequence[Entry], *, is_durable: bool) -> None:
        for entry in entries:
            if entry.receipt is not None:
                entry.receipt.tell(is_durable=is_durable)
