"""
Deliveries that hang, crash, die or fail by chance: the others go on and nobody stays untold.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.notify.log import LogDelivery
from pipeline.notify.mail import MailDelivery
from pipeline.notify.outbox import OutboxSender
from pipeline.store.ledger import Commit, Ledger
from tests.notify.fakes import FakeDelivery, refuses
from tests.notify.post_office import PostOffice, black_hole, serving
from tests.notify.scenario import ADDRESSES, HOUR, NOW, PEOPLE, SECOND, mail, notice, retained


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """A ledger with a mail to Wynn, a line for the log and a state for the topic."""
    opened = Ledger.open(tmp_path / "ledger.db")
    told = (notice(), notice(delivery="log"), retained())
    opened.commit(Commit(position=0, now_us=NOW, notices=told))
    yield opened
    opened.close()


@pytest.fixture
def gate() -> Iterator[threading.Event]:
    """Closed until the test opens it; opened at the end so that no thread stays behind."""
    closed = threading.Event()
    yield closed
    closed.set()


def wait_for_lanes() -> None:
    """Until every sending thread has ended."""
    for thread in threading.enumerate():
        if thread.name.startswith("notify-"):
            thread.join(20.0)


def test_a_hung_mail_server_holds_back_nothing_else(ledger: Ledger, gate: threading.Event) -> None:
    """Log and topic are told in the same call, the mail when the server wakes up."""
    mails, log, topic = FakeDelivery(gate=gate), FakeDelivery("log"), FakeDelivery("mqtt")
    post = OutboxSender(ledger, (mails, log, topic), PEOPLE, wait_s=0.05)
    hung = post.drain(NOW)
    hanging = [one for one in threading.enumerate() if one.name == "notify-mail"]
    again = post.drain(NOW + SECOND)
    gate.set()
    wait_for_lanes()
    awake = post.drain(NOW + 2 * SECOND)

    assert sorted(one.id for one in hung.sent) == [2, 3]
    # A stop of the station must not wait for the server.
    assert [one.daemon for one in hanging] == [True]
    assert (hung.in_flight, again.in_flight, awake.in_flight) == (1, 1, 0)
    assert [one.id for one in awake.sent] == [1]
    assert len(mails.tried) == 1


def test_a_lane_without_progress_is_given_up_and_begun_anew(
    ledger: Ledger, gate: threading.Event
) -> None:
    """After 300 s the notice counts as failed and is tried again on another thread."""
    mails = FakeDelivery(gate=gate)
    post = OutboxSender(
        ledger, (mails, FakeDelivery("log"), FakeDelivery("mqtt")), PEOPLE, wait_s=0.02
    )
    post.drain(NOW)
    patient = post.drain(NOW + 300 * SECOND)
    given_up = post.drain(NOW + 301 * SECOND)
    mails.gate = None
    renewed = post.drain(NOW + 306 * SECOND)
    gate.set()
    wait_for_lanes()
    post.drain(NOW + 310 * SECOND)

    assert patient.failed == ()
    assert [failure.detail for failure in given_up.failed] == ["mail: no answer in 300 s"]
    assert [one.id for one in renewed.sent] == [1]
    assert ledger.oldest_unsent_us() is None


def test_a_fault_of_the_software_costs_one_try_and_no_other_delivery(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exception that nobody foresaw is shown, counted as a failure, and tried again."""
    shown: list[type[BaseException]] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: shown.append(args.exc_type))
    mails = FakeDelivery(trouble=lambda _item: ZeroDivisionError("not foreseen"))
    post = OutboxSender(
        ledger, (mails, FakeDelivery("log"), FakeDelivery("mqtt")), PEOPLE, wait_s=20.0
    )
    report = post.drain(NOW)
    mails.trouble = lambda _item: None
    later = post.drain(NOW + 5 * SECOND)

    assert shown == [ZeroDivisionError]
    assert sorted(one.id for one in report.sent) == [2, 3]
    assert report.failed[0].detail == (
        "mail: the delivery ended in a fault of the software; its traceback is in the station's log"
    )
    assert [one.id for one in later.sent] == [1]


def test_a_state_that_expires_on_its_way_is_settled_once(
    ledger: Ledger, gate: threading.Event
) -> None:
    """The outbox closes it when it expires; the answer that comes later changes nothing."""
    topic = FakeDelivery("mqtt", gate=gate)
    post = OutboxSender(ledger, (FakeDelivery(), FakeDelivery("log"), topic), PEOPLE, wait_s=0.02)
    post.drain(NOW + HOUR - SECOND)
    post.drain(NOW + HOUR)
    gate.set()
    wait_for_lanes()
    report = post.drain(NOW + HOUR + SECOND)
    told = [e.facts["notice"] for e in ledger.journal() if e.kind == "told"]

    assert report.failed == ()
    assert report.sent == ()
    assert sorted(told) == [1, 2]


def test_a_dead_server_is_asked_three_times_a_call_and_not_for_every_mail(ledger: Ledger) -> None:
    """Ten waiting mails do not mean ten time-outs in a row; the rest stays due."""
    ledger.commit(Commit(position=0, now_us=NOW, notices=[notice()] * 9))
    mails = FakeDelivery(trouble=refuses())
    post = OutboxSender(
        ledger, (mails, FakeDelivery("log"), FakeDelivery("mqtt")), PEOPLE, wait_s=20.0
    )
    counts = [(post.drain(NOW), len(mails.tried))[1] for _ in range(5)]

    assert counts == [3, 6, 9, 10, 10]


def test_refused_recipients_do_not_stop_the_mails_of_others(ledger: Ledger) -> None:
    """Many mails to a dead mailbox are no sign that the server is dead."""
    ledger.commit(
        Commit(position=0, now_us=NOW, notices=[*[notice()] * 6, notice(recipient="o.pell")])
    )
    mails = FakeDelivery(
        trouble=lambda one: (
            refuses(permanent=True)(one) if one.notice.recipient == "w.tarrant" else None
        )
    )
    post = OutboxSender(
        ledger, (mails, FakeDelivery("log"), FakeDelivery("mqtt")), PEOPLE, wait_s=20.0
    )
    report = post.drain(NOW)

    assert [one.notice.recipient for one in report.sent if one.notice.delivery == "mail"] == [
        "o.pell"
    ]


def test_a_black_hole_for_a_mail_server_leaves_the_log_told(ledger: Ledger, tmp_path: Path) -> None:
    """With a real socket that never answers, the log is written and the mail is a failure."""
    path = tmp_path / "alarms.log"
    with black_hole() as port:
        mails = MailDelivery(mail(port, timeout_s=0.05), ADDRESSES)
        deliveries = (mails, LogDelivery(path), FakeDelivery("mqtt"))
        report = OutboxSender(ledger, deliveries, PEOPLE, wait_s=20.0).drain(NOW)

    assert sorted(one.id for one in report.sent) == [2, 3]
    assert [failure.item.id for failure in report.failed] == [1]
    assert "deck-high.D3" in path.read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_server_that_fails_half_of_the_time_tells_everything(tmp_path: Path, seed: int) -> None:
    """Every notice arrives at least once, and a repeat carries the number of its first."""
    ledger = Ledger.open(tmp_path / "ledger.db")
    notices = [notice(subject=f"alarm {n}") for n in range(25)]
    ledger.commit(Commit(position=0, now_us=NOW, notices=notices))
    with serving(PostOffice(faults=random.Random(seed))) as office:
        post = OutboxSender(
            ledger, (MailDelivery(mail(office.port), ADDRESSES),), PEOPLE, wait_s=20
        )
        now_us = NOW
        while ledger.oldest_unsent_us() is not None and now_us < NOW + 24 * HOUR:
            post.drain(now_us)
            now_us += 5 * SECOND
    ledger.close()
    ids = {str(one["Subject"]): set[str]() for one in office.taken}
    for one in office.taken:
        ids[one["Subject"]].add(one["Message-ID"])

    assert sorted(ids) == sorted(one.subject for one in notices)
    assert {len(one) for one in ids.values()} == {1}
    # The faults were there: some were refused and some arrived twice.
    assert post.statistics().failed > 5
    assert len(office.taken) > len(notices)


@pytest.mark.slow
def test_a_mail_server_that_stays_dead_ends_in_the_log(tmp_path: Path) -> None:
    """With the station committing what it is given, the failure is told by log and ends there."""
    ledger = Ledger.open(tmp_path / "ledger.db")
    ledger.commit(Commit(position=0, now_us=NOW, notices=[notice(recipient="o.pell")]))
    mails, log = FakeDelivery(trouble=refuses()), FakeDelivery("log")
    post = OutboxSender(ledger, (mails, log), PEOPLE, wait_s=20.0)
    made = 1
    for step in range(80):
        report = post.drain(NOW + step * 900 * SECOND)
        made += len(report.also_tell)
        ledger.commit(
            Commit(position=0, now_us=NOW + step * 900 * SECOND, notices=list(report.also_tell))
        )
    ledger.close()

    assert any("NOT DELIVERED to Orla Pell by mail" in one.notice.subject for one in log.taken)
    assert made < 12
    assert "mail:o.pell" in report.undeliverable
