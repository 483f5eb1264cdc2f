"""
Reading the ledger: position, states, journal, outbox, quarantine, counters.

Every call is one short query: in this journal mode a reader that lingers holds up the writer.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

from pipeline.store.ledger_rows import (
    NO_HASH,
    JournalEntry,
    Notice,
    OutboxItem,
    OutboxState,
    QuarantineRow,
    QuarantineTotal,
    Refusal,
    entry_hash,
)
from pipeline.store.ledger_schema import connect_reader, naming

OUTBOX_STATES: tuple[OutboxState, ...] = ("queued", "sent", "failed", "expired")
_VERIFY_ROWS = 1000

# Strings are compared by rank: the words of `site.models.Priority`; an unknown one comes last.
_DUE = """
SELECT {columns} FROM outbox AS item
WHERE state = 'queued' AND next_us <= :now AND NOT (topic <> '' AND EXISTS (
    SELECT 1 FROM outbox AS older WHERE older.state = 'queued' AND older.topic <> ''
    AND older.delivery = item.delivery AND older.topic = item.topic AND older.id < item.id))
ORDER BY CASE priority WHEN 'critical' THEN 0 WHEN 'high' THEN 1 WHEN 'medium' THEN 2
    WHEN 'low' THEN 3 ELSE 4 END, next_us, id
LIMIT :limit
"""
_ITEM = (
    "id, delivery, recipient, subject, body, priority, alarm, topic, expires_us, facts, "
    "created_us, attempts, next_us, state, detail"
)


class LedgerReader:
    """What can be read from a ledger, by any thread; every call may raise StorageError."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._lock = threading.RLock()

    @property
    def position(self) -> int:
        """Next record of the spool to consume; 0 for a new ledger."""
        return int(self._rows("SELECT next FROM position")[0][0])

    def states(self) -> dict[str, str]:
        """Saved states by name."""
        return dict(self._rows("SELECT name, state FROM states"))

    def recall(self, key: str) -> str | None:
        """Value that was last remembered for `key`; None if there never was one."""
        rows = self._rows("SELECT value FROM facts WHERE key = ?", (key,))
        return str(rows[0][0]) if rows else None

    def counters(self) -> dict[str, int]:
        """Totals by name since the ledger was made."""
        return dict(self._rows("SELECT name, total FROM counters ORDER BY name"))

    def journal(
        self, since: int = 0, limit: int = 1000, alarm: str | None = None
    ) -> list[JournalEntry]:
        """Entries of a number above `since`, oldest first, at most `limit`; of one alarm."""
        which = "" if alarm is None else "AND alarm = :alarm"
        rows = self._rows(
            "SELECT number, recorded_us, kind, alarm, facts, previous, hash FROM journal "
            f"WHERE number > :since {which} ORDER BY number LIMIT :limit",
            {"since": since, "limit": limit, "alarm": alarm},
        )
        return [
            JournalEntry(number, recorded_us, kind, about, json.loads(facts), previous, own_hash)
            for number, recorded_us, kind, about, facts, previous, own_hash in rows
        ]

    def head(self) -> tuple[int, str]:
        """Number and hash of the newest entry; (0, 64 zeros) when the journal is empty."""
        rows = self._rows("SELECT number, hash FROM journal ORDER BY number DESC LIMIT 1")
        return (int(rows[0][0]), str(rows[0][1])) if rows else (0, NO_HASH)

    def verify(self, head: tuple[int, str] | None = None) -> int | None:
        """
        First number of the journal that is missing or not what was written; None: all is sound.

        A journal whose end was cut off is sound in itself: give the `head` that a sign of life
        told, and its number is returned when that entry is missing or another.
        """
        expected, previous = 1, NO_HASH
        while True:
            entries = self.journal(expected - 1, _VERIFY_ROWS)
            for entry in entries:
                facts = (entry.recorded_us, entry.kind, entry.alarm, entry.facts)
                if (
                    entry.number != expected
                    or entry.previous != previous
                    or entry.hash != entry_hash(previous, expected, *facts)
                    or (head is not None and entry.number == head[0] and entry.hash != head[1])
                ):
                    return expected
                expected, previous = expected + 1, entry.hash
            if not entries:
                return head[0] if head is not None and head[0] >= expected else None

    def outbox(
        self, states: Collection[OutboxState] = OUTBOX_STATES, limit: int = 1000
    ) -> list[OutboxItem]:
        """Notices in these states, newest first, at most `limit`."""
        marks = ", ".join("?" * len(states))
        return self._items(
            f"SELECT {_ITEM} FROM outbox WHERE state IN ({marks}) ORDER BY id DESC LIMIT ?",
            [*states, limit],
        )

    def outbox_counts(self) -> dict[OutboxState, int]:
        """How many notices are in each state; every state is named."""
        found = dict(self._rows("SELECT state, count(*) FROM outbox GROUP BY state"))
        return {state: int(found.get(state, 0)) for state in OUTBOX_STATES}

    def oldest_unsent_us(self) -> int | None:
        """When the oldest notice that is still queued was made; None: nothing is queued."""
        found = self._rows("SELECT min(created_us) FROM outbox WHERE state = 'queued'")[0][0]
        return None if found is None else int(found)

    def quarantine(self, limit: int = 100) -> list[QuarantineRow]:
        """Refused messages that were kept, newest first, with their payload or its beginning."""
        rows = self._rows(
            "SELECT number, position, received_us, topic, reason, detail, rows, payload, size, "
            "sha256, is_whole FROM quarantine ORDER BY number DESC LIMIT ?",
            (limit,),
        )
        return [
            QuarantineRow(row[0], Refusal(*row[1:8]), row[8], row[9], bool(row[10])) for row in rows
        ]

    def quarantine_totals(self) -> dict[str, QuarantineTotal]:
        """All refusals ever, by reason."""
        rows = self._rows(
            "SELECT reason, messages, rows, bytes, counted_only FROM quarantine_totals "
            "ORDER BY reason"
        )
        return {row[0]: QuarantineTotal(*row) for row in rows}

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        with self._lock:
            self._connection.close()

    def _due(self, now_us: int, limit: int) -> list[OutboxItem]:
        return self._items(_DUE.format(columns=_ITEM), {"now": now_us, "limit": limit})

    def _queued_items(self, item_id: int) -> list[OutboxItem]:
        return self._items(
            f"SELECT {_ITEM} FROM outbox WHERE id = ? AND state = 'queued'", (item_id,)
        )

    def _items(self, query: str, values: Sequence[Any] | dict[str, Any]) -> list[OutboxItem]:
        items = []
        for row in self._rows(query, values):
            number, delivery, recipient, subject, body, priority, alarm, topic, *rest = row
            expires_us, facts, created_us, attempts, next_us, state, detail = rest
            notice = Notice(
                delivery=delivery,
                recipient=recipient,
                subject=subject,
                body=body,
                priority=priority,
                alarm=alarm,
                topic=topic,
                expires_us=expires_us,
                facts=json.loads(facts),
            )
            items.append(OutboxItem(number, notice, created_us, attempts, next_us, state, detail))
        return items

    def _rows(
        self, query: str, values: Sequence[Any] | dict[str, Any] = ()
    ) -> list[tuple[Any, ...]]:
        with self._lock, naming(self.path):
            return self._connection.execute(query, values).fetchall()


def open_reader(path: Path, *, busy_s: float = 10.0) -> LedgerReader:
    """
    Open a ledger for reading, from another process than the worker's.

    Raises:
        StorageError: there is no ledger, or it cannot be read; says what to do.
        StateVersionError: a newer release wrote it.
    """
    return LedgerReader(path, connect_reader(path, busy_s))
