"""The outbox: what is due and in which order, retries, expiry, and what the journal says of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.store.ledger import Commit, Ledger, Notice

MAIL = Notice("mail", "ada", "Deck high", "Go and look.", "high", "deck-high/P1", facts={"n": 1})


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """A new ledger, whose journal must be sound at the end."""
    ledger = Ledger.open(tmp_path / "ledger.sqlite")
    yield ledger
    assert ledger.verify() is None
    ledger.close()


def _queue(ledger: Ledger, now_us: int, *notices: Notice) -> None:
    ledger.commit(Commit(ledger.position, now_us, notices=notices))


def _due_subjects(ledger: Ledger, now_us: int, limit: int = 50) -> list[str]:
    return [item.notice.subject for item in ledger.due(now_us, limit)]


def test_due_gives_the_urgent_first_then_in_order(ledger: Ledger) -> None:
    """By priority, then by when it became due, then as queued; at most `limit`."""
    for number, priority in enumerate(["low", "medium", "critical", "high", "critical", "none"]):
        _queue(
            ledger, 10 + number, replace(MAIL, subject=f"{priority} {number}", priority=priority)
        )

    assert _due_subjects(ledger, 15) == [
        "critical 2",
        "critical 4",
        "high 3",
        "medium 1",
        "low 0",
        "none 5",
    ]
    assert _due_subjects(ledger, 15, limit=2) == ["critical 2", "critical 4"]
    assert _due_subjects(ledger, 12) == ["critical 2", "medium 1", "low 0"]


def test_mark_sent_settles_a_notice_and_journals_that_it_was_told(ledger: Ledger) -> None:
    """A sent notice is never due again; who was told how is in the journal."""
    _queue(ledger, 10, MAIL)
    item = ledger.due(10)[0]
    assert (item.notice, item.created_us, item.attempts, item.state) == (MAIL, 10, 0, "queued")

    ledger.mark_sent(item.id, 12, "250 accepted")

    assert ledger.due(10**9) == []
    sent = ledger.outbox(["sent"])[0]
    assert (sent.attempts, sent.state, sent.detail) == (1, "sent", "250 accepted")
    entry = ledger.journal()[-1]
    assert (entry.kind, entry.alarm, entry.recorded_us) == ("told", "deck-high/P1", 12)
    assert entry.facts == {
        "notice": item.id,
        "delivery": "mail",
        "recipient": "ada",
        "outcome": "sent",
        "detail": "250 accepted",
    }
    assert ledger.outbox_counts() == {"queued": 0, "sent": 1, "failed": 0, "expired": 0}


def test_mark_failed_with_a_next_time_is_due_then_and_journalled_once(ledger: Ledger) -> None:
    """A retry waits for its time; the first failure is journalled, repeats only counted."""
    _queue(ledger, 10, MAIL, replace(MAIL, subject="second"))
    item = ledger.due(10)[0]
    for attempt in range(1, 5):
        ledger.mark_failed(item.id, 10 * attempt, "refused", 10 * attempt + 100)
    ledger.mark_failed(item.id, 60, "refused again", 200)

    assert _due_subjects(ledger, 199) == ["second"]
    assert _due_subjects(ledger, 200) == ["second", "Deck high"]
    again = ledger.due(200)[1]
    assert (again.attempts, again.next_us, again.detail) == (5, 200, "refused again")
    assert [(e.kind, e.facts["outcome"]) for e in ledger.journal()] == [
        ("telling_failed", "will be tried again")
    ]
    assert ledger.oldest_unsent_us() == 10


def test_mark_failed_for_good_settles_it_and_journals(ledger: Ledger) -> None:
    """A notice that cannot be delivered ends as failed, with its reason in the journal."""
    _queue(ledger, 10, MAIL)
    item = ledger.due(10)[0]
    ledger.mark_failed(item.id, 20, "no such mailbox", None)

    assert ledger.due(10**9) == []
    assert ledger.oldest_unsent_us() is None
    assert ledger.outbox_counts()["failed"] == 1
    entry = ledger.journal()[-1]
    assert (entry.kind, entry.facts["outcome"]) == ("telling_failed", "failed")
    assert entry.facts["detail"] == "no such mailbox"


def test_due_when_a_notice_expired_marks_it_and_journals(ledger: Ledger) -> None:
    """From its expiry on a notice is not sent, and that is a failure to tell, written down."""
    _queue(ledger, 10, replace(MAIL, expires_us=100), replace(MAIL, subject="stays"))

    assert _due_subjects(ledger, 99) == ["Deck high", "stays"]
    assert _due_subjects(ledger, 100) == ["stays"]
    expired = ledger.outbox(["expired"])[0]
    assert (expired.attempts, expired.detail) == (0, "not sent before it expired")
    entry = ledger.journal()[-1]
    assert (entry.kind, entry.facts["outcome"]) == ("telling_failed", "expired")


def test_due_when_a_topic_has_an_older_notice_waits_for_it(ledger: Ledger) -> None:
    """What is retained on a topic last must be the newest, whatever priority or retry says."""
    raised = Notice("mqtt", "", "raised", "", "low", "a", topic="s/alarms/a")
    cleared = replace(raised, subject="cleared", priority="critical")
    elsewhere = replace(raised, subject="elsewhere", topic="s/alarms/b")
    by_mail = replace(raised, subject="by mail", delivery="mail", priority="high")
    _queue(ledger, 10, raised, cleared, elsewhere, by_mail)
    assert _due_subjects(ledger, 10) == ["by mail", "raised", "elsewhere"]
    ledger.mark_sent(ledger.due(10)[0].id, 10, "")
    ledger.mark_failed(ledger.due(10)[0].id, 10, "offline", 50)
    assert _due_subjects(ledger, 20) == ["elsewhere"]

    again = next(item for item in ledger.due(50) if item.notice.subject == "raised")
    ledger.mark_sent(again.id, 50, "")

    assert _due_subjects(ledger, 50) == ["cleared", "elsewhere"]


def test_mark_when_not_queued_any_more_is_refused(ledger: Ledger) -> None:
    """Settling twice, or what never existed, would falsify the journal."""
    _queue(ledger, 10, MAIL)
    item = ledger.due(10)[0]
    ledger.mark_sent(item.id, 11, "")
    for number in (item.id, 999):
        with pytest.raises(StorageError) as caught:
            ledger.mark_failed(number, 12, "late", 20)

        assert f"notice {number} is not queued: it was settled before" in str(caught.value)
    assert len(ledger.journal()) == 1


def test_notice_when_its_text_is_hostile_is_kept(ledger: Ledger) -> None:
    """A lone surrogate from a topic is spelt out instead of stopping the commit."""
    _queue(ledger, 10, replace(MAIL, body="from \udcff", facts={"topic": "\udcff"}))

    notice = ledger.due(10)[0].notice

    assert notice.body == "from \\udcff"
    assert notice.facts == {"topic": "\udcff"}


def test_old_settled_notices_are_let_go_and_the_journal_keeps_what_became_of_them(
    ledger: Ledger,
) -> None:
    """Sent, failed and expired before 20 go; what waits, and what is newer, stays; ids go on."""
    _queue(ledger, 10, MAIL, MAIL, replace(MAIL, expires_us=12), MAIL)
    _queue(ledger, 20, MAIL)
    ledger.mark_sent(1, 11, "250 accepted")
    ledger.mark_failed(2, 11, "550 no such box", None)
    ledger.mark_failed(4, 11, "timed out", 500)
    ledger.due(12)
    ledger.mark_sent(5, 21, "250 accepted")
    journal = ledger.journal()

    assert ledger.prune_outbox(20) == 3
    assert ledger.prune_outbox(20) == 0
    _queue(ledger, 30, MAIL)
    kept = ledger.outbox(("queued", "sent", "failed", "expired"))
    assert sorted((item.id, item.state) for item in kept) == [
        (4, "queued"),
        (5, "sent"),
        (6, "queued"),
    ]
    assert ledger.journal() == journal
