"""The quarantine: every refusal is accounted for, and its space is bounded."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.store.ledger import Commit, Ledger, Refusal

QUOTA = 10_000


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """A new ledger with a small quarantine."""
    ledger = Ledger.open(tmp_path / "ledger.sqlite", quarantine_bytes=QUOTA)
    yield ledger
    ledger.close()


def _refuse(ledger: Ledger, *payloads: bytes, reason: str = "bad_json", rows: int = 0) -> None:
    refusals = [
        Refusal(n, 1000 + n, "a/b/c", reason, "byte 0", rows, payload)
        for n, payload in enumerate(payloads)
    ]
    ledger.commit(Commit(0, 1, refusals=refusals))


def test_refusal_when_there_is_room_is_kept_whole(ledger: Ledger) -> None:
    """Payload, reason and place come back, newest first, with size and hash."""
    _refuse(ledger, b"first", b"\x00\xffsecond", rows=3)

    newest, oldest = ledger.quarantine()

    assert newest.refusal == Refusal(1, 1001, "a/b/c", "bad_json", "byte 0", 3, b"\x00\xffsecond")
    assert (newest.size, newest.is_whole) == (8, True)
    assert newest.sha256 == hashlib.sha256(b"\x00\xffsecond").hexdigest()
    assert oldest.refusal.payload == b"first"
    assert [row.refusal.payload for row in ledger.quarantine(limit=1)] == [b"\x00\xffsecond"]


def test_refusal_when_beyond_the_quota_keeps_hash_size_and_first_bytes(ledger: Ledger) -> None:
    """A payload that does not fit any more is known by its hash; a smaller one still fits."""
    large = bytes(range(256)) * 40
    _refuse(ledger, b"x" * 8000, large, b"small")

    whole = [row.is_whole for row in ledger.quarantine()]
    brief = ledger.quarantine()[1]

    assert whole == [True, False, True]
    assert brief.refusal.payload == large[:256]
    assert (brief.size, brief.sha256) == (len(large), hashlib.sha256(large).hexdigest())


def test_refusals_when_they_never_end_are_counted_in_bounded_space(ledger: Ledger) -> None:
    """A node that sends rubbish for months fills no disk, and every message is in the totals."""
    for part in range(20):
        _refuse(ledger, *[b"%d " % part + b"y" * 990] * 10, rows=2)
    _refuse(ledger, b"z" * 100, reason="unknown_topic")

    totals = ledger.quarantine_totals()
    kept = ledger.quarantine(limit=10_000)

    assert totals["bad_json"].messages == 200
    assert totals["bad_json"].rows == 400
    assert totals["bad_json"].bytes == sum(10 * (len(b"%d " % part) + 990) for part in range(20))
    assert totals["bad_json"].counted_only == 200 - len(kept)
    assert totals["unknown_topic"].messages == totals["unknown_topic"].counted_only == 1
    # Whole ones cost about 1500 bytes with their row, brief ones 768: see `Ledger.open`.
    assert [row.is_whole for row in kept].count(True) == QUOTA // 1504
    assert sum(len(row.refusal.payload) + 512 for row in kept) <= 2 * QUOTA


def test_quota_when_reopened_is_still_used_up(ledger: Ledger) -> None:
    """A restart does not give the space again."""
    _refuse(ledger, b"x" * 9000)
    again = Ledger.open(ledger.path, quarantine_bytes=QUOTA)

    _refuse(again, b"y" * 1000)

    assert again.quarantine()[0].is_whole is False
    again.close()


def test_refusal_when_its_topic_is_hostile_is_kept(ledger: Ledger) -> None:
    """A topic that is no UTF-8 is spelt out instead of stopping the worker."""
    refusal = Refusal(0, 1, "a/\udcff", "bad_topic", "\ud800", 0, b"")
    ledger.commit(Commit(1, 1, refusals=[refusal]))

    assert ledger.quarantine()[0].refusal.topic == "a/\\udcff"
