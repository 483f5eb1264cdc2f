"""
The sender over a real ledger: order, back-off, escalation, giving up, and crashes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.errors import DeliveryError, StorageError
from pipeline.notify.delivery import Delivery
from pipeline.notify.outbox import OutboxSender, backoff_us
from pipeline.store.ledger import Commit, Ledger, Notice, OutboxItem
from tests.notify.fakes import FakeDelivery, refuses
from tests.notify.scenario import HOUR, NOW, PEOPLE, SECOND, notice, retained


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """An empty ledger; its journal is checked at the end."""
    opened = Ledger.open(tmp_path / "ledger.db")
    yield opened
    opened.close()


def queue(ledger: Ledger, *notices: Notice, now_us: int = NOW) -> None:
    """Commit notices as the station does."""
    ledger.commit(Commit(position=0, now_us=now_us, notices=notices))


def sender(ledger: Ledger, *deliveries: Delivery) -> OutboxSender:
    """A sender that waits long enough for any fake."""
    return OutboxSender(ledger, deliveries, PEOPLE, wait_s=20.0)


def outcomes(ledger: Ledger, kind: str) -> list[tuple[int, str]]:
    """Number and outcome of the journal entries of a kind."""
    entries = ledger.journal()
    return [(e.facts["notice"], e.facts["outcome"]) for e in entries if e.kind == kind]


def test_notices_go_out_by_priority_then_age(ledger: Ledger) -> None:
    """The most urgent first, and of equals the oldest."""
    mails = FakeDelivery()
    queue(ledger, notice(priority="low"), notice(priority="high"))
    queue(ledger, notice(priority="critical"), notice(priority="medium"), now_us=NOW + SECOND)
    queue(ledger, notice(priority="high"), now_us=NOW + SECOND)
    report = sender(ledger, mails).drain(NOW + SECOND)

    assert [one.id for one in mails.taken] == [3, 2, 5, 4, 1]
    assert [one.id for one in report.sent] == [3, 2, 5, 4, 1]
    assert sorted(outcomes(ledger, "told")) == [(n, "sent") for n in range(1, 6)]
    assert ledger.oldest_unsent_us() is None


def test_back_off_doubles_from_5_s_to_15_min() -> None:
    """5, 10, 20 … s up to 900 s; on a topic up to 60 s, and no overflow after days."""
    waits = [backoff_us(tries) // SECOND for tries in range(1, 11)]
    on_topic = [backoff_us(tries, True) // SECOND for tries in range(1, 7)]

    assert waits == [5, 10, 20, 40, 80, 160, 320, 640, 900, 900]
    assert on_topic == [5, 10, 20, 40, 60, 60]
    assert backoff_us(100_000) == 900 * SECOND


def test_a_failed_notice_waits_for_its_back_off(ledger: Ledger) -> None:
    """It is not tried before its time, and at its time it is."""
    mails = FakeDelivery(trouble=refuses())
    queue(ledger, notice())
    post = sender(ledger, mails)
    tries = [
        (post.drain(NOW + after), len(mails.tried))[1]
        for after in (0, 5 * SECOND - 1, 5 * SECOND, 15 * SECOND - 1, 15 * SECOND)
    ]

    assert tries == [1, 1, 2, 2, 3]


def test_the_third_failure_is_told_by_another_way_once(ledger: Ledger) -> None:
    """From the third failure on the way counts as undeliverable, until a notice gets through."""
    broken = {"is": True}
    mails = FakeDelivery(trouble=lambda _i: refuses()(_i) if broken["is"] else None)
    queue(ledger, notice())
    post = sender(ledger, mails)
    reports = [post.drain(NOW + n * 900 * SECOND) for n in range(5)]
    broken["is"] = False
    mended = post.drain(NOW + HOUR * 2)

    assert [len(one.also_tell) for one in reports] == [0, 0, 2, 0, 0]
    assert [dict(one.undeliverable) for one in reports[1:3]] == [
        {},
        {"mail:w.tarrant": "mail: nobody there"},
    ]
    assert len(mended.sent) == 1
    assert mended.undeliverable == {}
    assert post.statistics().sent == 1
    assert post.statistics().failed == 5


def test_a_permanent_failure_is_told_at_once_and_closed_at_its_next_try(ledger: Ledger) -> None:
    """It is closed only after the station had time to commit what tells it by another way."""
    mails = FakeDelivery(trouble=refuses(permanent=True))
    queue(ledger, notice())
    post = sender(ledger, mails)
    first, early = post.drain(NOW), post.drain(NOW + 119 * SECOND)
    second = post.drain(NOW + 120 * SECOND)

    assert [(one.recipient, one.delivery) for one in first.also_tell] == [
        ("w.tarrant", "log"),
        ("o.pell", "mail"),
    ]
    assert [failure.final for failure in first.failed] == [False]
    assert early.failed == ()
    assert [failure.final for failure in second.failed] == [True]
    assert second.also_tell == ()
    assert outcomes(ledger, "telling_failed")[-1] == (1, "failed")
    assert "mail:w.tarrant" in second.undeliverable
    assert ledger.oldest_unsent_us() is None


def test_a_crash_before_the_commit_of_the_other_way_loses_nobody(ledger: Ledger) -> None:
    """A station that died with the new notices in hand gives them again after its start."""
    mails = FakeDelivery(trouble=refuses(permanent=True))
    queue(ledger, notice())
    sender(ledger, mails).drain(NOW)
    after_start = sender(ledger, mails).drain(NOW + 120 * SECOND)

    assert len(after_start.also_tell) == 2
    assert not after_start.failed[0].final


class DiesBeforeMarking(Ledger):
    """A ledger whose station is killed between the acceptance of a notice and its mark."""

    def mark_sent(self, item_id: int, now_us: int, detail: str) -> None:
        """Never comes back."""
        raise StorageError("killed")


def test_a_crash_between_accepted_and_marked_tells_twice(tmp_path: Path) -> None:
    """Told twice, with one number, and never not at all."""
    mails = FakeDelivery()
    dying = DiesBeforeMarking.open(tmp_path / "ledger.db")
    queue(dying, notice())
    with pytest.raises(StorageError):
        sender(dying, mails).drain(NOW)
    dying.close()
    ledger = Ledger.open(tmp_path / "ledger.db")
    sender(ledger, mails).drain(NOW + SECOND)
    marked = outcomes(ledger, "told")
    ledger.close()

    assert [one.id for one in mails.taken] == [1, 1]
    assert marked == [(1, "sent")]


def test_after_72_h_a_failing_notice_is_given_up_and_told_by_another_way(ledger: Ledger) -> None:
    """The end is journalled as telling failed, and not before somebody else was told."""
    mails = FakeDelivery(trouble=refuses())
    queue(ledger, notice())
    post = sender(ledger, mails)
    post.drain(NOW)
    late = NOW + 72 * HOUR + SECOND
    first, second = post.drain(late), post.drain(late + HOUR)

    assert len(mails.tried) == 1
    assert len(first.also_tell) == 2
    assert first.failed[0].detail == "mail: given up after 3 d 1 s and 1 tries"
    assert [failure.final for failure in second.failed] == [True]
    assert outcomes(ledger, "telling_failed")[-1] == (1, "failed")


def test_a_notice_that_was_never_tried_is_tried_however_old(ledger: Ledger) -> None:
    """A station that was off for a week still tells what it had to tell."""
    mails = FakeDelivery()
    queue(ledger, notice())
    report = sender(ledger, mails).drain(NOW + 168 * HOUR)

    assert [one.id for one in report.sent] == [1]


def test_a_delivery_that_is_not_set_up_is_a_failure_that_escalates(ledger: Ledger) -> None:
    """Mail without a mail server goes to the log instead of nowhere."""
    queue(ledger, notice())
    report = sender(ledger, FakeDelivery("log")).drain(NOW)

    assert report.undeliverable == {
        "mail:w.tarrant": 'no delivery "mail" is set up, only log. Set it up in site.toml'
    }
    assert ("w.tarrant", "log") in [(one.recipient, one.delivery) for one in report.also_tell]


def test_states_of_one_topic_arrive_in_their_order(ledger: Ledger) -> None:
    """What stands retained in the end is the newest state, though the first try failed."""
    lots = iter([refuses("mqtt"), None, None])

    def trouble(item: OutboxItem) -> DeliveryError | None:
        lot = next(lots)
        return lot(item) if lot else None

    topics = FakeDelivery("mqtt", trouble=trouble)
    queue(ledger, retained(subject="raised"), retained(subject="returned"))
    post = sender(ledger, topics)
    for second in range(0, 20, 5):
        post.drain(NOW + second * SECOND)

    assert [one.notice.subject for one in topics.taken] == ["raised", "returned"]
