"""
The ledger: how far the spool is consumed, and everything that follows from it, in one transaction.

One SQLite database a structure, one writing connection (design, principle 5).
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import StorageError
from pipeline.store.durable import storage_error, sync_folder
from pipeline.store.ledger_reading import LedgerReader, open_reader
from pipeline.store.ledger_rows import (
    Commit,
    Facts,
    JournalEntry,
    Notice,
    OutboxItem,
    QuarantineRow,
    QuarantineTotal,
    Refusal,
    canonical_json,
    entry_hash,
    storable,
)
from pipeline.store.ledger_schema import connect_writer, naming

__all__ = [
    "Commit",
    "JournalEntry",
    "Ledger",
    "LedgerReader",
    "Notice",
    "OutboxItem",
    "QuarantineRow",
    "QuarantineTotal",
    "Refusal",
    "open_reader",
]

_FIRST_BYTES = 256
_ROW_BYTES = 512
"""What a row of the quarantine costs beside its payload, counted against the quota."""


class Ledger(LedgerReader):
    """The writing side; any thread may call, one at a time is served."""

    def __init__(self, path: Path, connection: sqlite3.Connection, quarantine_bytes: int) -> None:
        super().__init__(path, connection)
        self._quarantine_bytes = quarantine_bytes

    @classmethod
    def open(cls, path: Path, *, quarantine_bytes: int = 64 << 20, busy_s: float = 30.0) -> Ledger:
        """
        Open the ledger at `path`, made with its folder when missing.

        Args:
            quarantine_bytes: refused payloads are kept whole up to so many bytes, then as hash,
                size and first 256 bytes for as many again, then only counted.
            busy_s: how long a commit waits for readers of other processes.

        Raises:
            StateVersionError: a newer release wrote it.
            StorageError: not a ledger, or the system refused.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise storage_error(f"{path.parent}: folder not made", error) from error
        connection = connect_writer(path, busy_s)
        sync_folder(path.parent)
        return cls(path, connection, quarantine_bytes)

    def commit(self, commit: Commit) -> None:
        """
        Store all of `commit` in one transaction: on the medium when this returns, or nothing is.

        Raises:
            StorageError: the position would go back, or the database refused.
            TypeError: facts that JSON cannot hold.
        """
        with self._transaction() as connection:
            moved = connection.execute(
                "UPDATE position SET next = ?1 WHERE next <= ?1", (commit.position,)
            )
            if moved.rowcount != 1:
                raise StorageError(
                    f"{self.path}: the position would go back from {self.position} to "
                    f"{commit.position}: records would be consumed twice. Only one station may "
                    "run for a structure; restart it, and report this if it comes again."
                )
            connection.executemany(
                "INSERT INTO states VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET state = excluded.state",
                list(commit.states.items()),
            )
            for kind, alarm, facts in commit.entries:
                self._write_entry(commit.now_us, kind, alarm, facts)
            for notice in commit.notices:
                self._queue(commit.now_us, notice)
            for refusal in commit.refusals:
                self._refuse(refusal)
            connection.executemany(
                "INSERT INTO counters VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET total = total + excluded.total",
                list(commit.counters.items()),
            )

    def remember(self, key: str, value: str) -> None:
        """Keep a small fact by its key, over the one before; durable when this returns."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO facts VALUES (?, ?) "
                "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                (key, value),
            )

    def due(self, now_us: int, limit: int = 50) -> list[OutboxItem]:
        """
        Notices to send now: by priority, then by when they became due, then in their order.

        Of one delivery and topic only the oldest is due, so that what stands retained is the
        newest. Notices that expired are marked so first, with a journal entry "telling_failed".
        """
        expired = "state = 'queued' AND expires_us <= ?"
        if self._rows(f"SELECT 1 FROM outbox WHERE {expired} LIMIT 1", (now_us,)):
            with self._transaction():
                for row in self._rows(f"SELECT id FROM outbox WHERE {expired}", (now_us,)):
                    self._settle(row[0], now_us, "expired", "not sent before it expired")
        return self._due(now_us, limit)

    def mark_sent(self, item_id: int, now_us: int, detail: str) -> None:
        """The notice was accepted by its delivery; journal entry "told"."""
        with self._transaction():
            self._settle(item_id, now_us, "sent", detail)

    def mark_failed(self, item_id: int, now_us: int, detail: str, next_us: int | None) -> None:
        """
        The delivery did not take it: try again at `next_us`, or never (None: state "failed").

        The first failure and the final one are journalled as "telling_failed"; those between only
        count as attempts, so that a long outage does not fill the journal.
        """
        with self._transaction() as connection:
            if next_us is None:
                self._settle(item_id, now_us, "failed", detail)
                return
            item = self._queued(item_id)
            connection.execute(
                "UPDATE outbox SET attempts = attempts + 1, next_us = ?, detail = ? WHERE id = ?",
                (next_us, storable(detail), item_id),
            )
            if item.attempts == 0:
                self._write_outcome(item, now_us, "will be tried again", detail)

    def prune_outbox(self, before_us: int) -> int:
        """
        Let go of notices that were queued before `before_us` [µs since 1970 UTC] and are settled.

        What still waits stays, however old. The journal, which stays for good, goes on saying
        who was told, how, and what could not be told. The space is used again, not given back.

        Returns:
            how many notices were let go.
        """
        settled = "state <> 'queued' AND created_us < ?"
        if not self._rows(f"SELECT 1 FROM outbox WHERE {settled} LIMIT 1", (before_us,)):
            return 0
        with self._transaction() as connection:
            return connection.execute(f"DELETE FROM outbox WHERE {settled}", (before_us,)).rowcount

    def _settle(self, item_id: int, now_us: int, state: str, detail: str) -> None:
        item = self._queued(item_id)
        tried = 0 if state == "expired" else 1
        self._connection.execute(
            "UPDATE outbox SET state = ?, attempts = attempts + ?, detail = ? WHERE id = ?",
            (state, tried, storable(detail), item_id),
        )
        self._write_outcome(item, now_us, state, detail)

    def _queued(self, item_id: int) -> OutboxItem:
        found = self._queued_items(item_id)
        if not found:
            raise StorageError(
                f"{self.path}: notice {item_id} is not queued: it was settled before, or never "
                "existed. Two deliveries may be running; restart the station."
            )
        return found[0]

    def _write_outcome(self, item: OutboxItem, now_us: int, outcome: str, detail: str) -> None:
        notice = item.notice
        facts = {
            "notice": item.id,
            "delivery": notice.delivery,
            "recipient": notice.recipient,
            "outcome": outcome,
            "detail": detail,
        }
        kind = "told" if outcome == "sent" else "telling_failed"
        self._write_entry(now_us, kind, notice.alarm, facts)

    def _write_entry(self, now_us: int, kind: str, alarm: str, facts: Facts) -> None:
        number, previous = self.head()
        kind, alarm, number = storable(kind), storable(alarm), number + 1
        self._connection.execute(
            "INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                number,
                now_us,
                kind,
                alarm,
                canonical_json(facts),
                previous,
                entry_hash(previous, number, now_us, kind, alarm, facts),
            ),
        )

    def _queue(self, now_us: int, notice: Notice) -> None:
        texts = (notice.delivery, notice.recipient, notice.subject, notice.body)
        words = (notice.priority, notice.alarm, notice.topic)
        self._connection.execute(
            "INSERT INTO outbox (delivery, recipient, subject, body, priority, alarm, topic, "
            "expires_us, facts, created_us, attempts, next_us, state, detail) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, ?, 'queued', '')",
            (
                *map(storable, (*texts, *words)),
                notice.expires_us,
                canonical_json(notice.facts),
                now_us,
                now_us,
            ),
        )

    def _refuse(self, refusal: Refusal) -> None:
        size, reason = len(refusal.payload), storable(refusal.reason)
        kept = self._rows("SELECT coalesce(sum(kept_bytes), 0) FROM quarantine_totals")[0][0]
        is_whole = kept + size + _ROW_BYTES <= self._quarantine_bytes
        payload = refusal.payload if is_whole else refusal.payload[:_FIRST_BYTES]
        cost = len(payload) + _ROW_BYTES
        is_kept = kept + cost <= 2 * self._quarantine_bytes
        if is_kept:
            self._connection.execute(
                "INSERT INTO quarantine (position, received_us, topic, reason, detail, rows, "
                "size, sha256, is_whole, payload) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    refusal.position,
                    refusal.received_us,
                    storable(refusal.topic),
                    reason,
                    storable(refusal.detail),
                    refusal.rows,
                    size,
                    hashlib.sha256(refusal.payload).hexdigest(),
                    is_whole,
                    payload,
                ),
            )
        self._connection.execute(
            "INSERT INTO quarantine_totals VALUES (?, 1, ?, ?, ?, ?) ON CONFLICT (reason) DO "
            "UPDATE SET messages = messages + 1, rows = rows + excluded.rows, "
            "bytes = bytes + excluded.bytes, counted_only = counted_only + excluded.counted_only, "
            "kept_bytes = kept_bytes + excluded.kept_bytes",
            (reason, refusal.rows, size, not is_kept, cost if is_kept else 0),
        )

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock, naming(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
