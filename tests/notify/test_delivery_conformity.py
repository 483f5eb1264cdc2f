"""
One suite over every delivery and the fake: accepting, failing, repeating, hostile text.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from pipeline.notify.delivery import Delivery
from pipeline.notify.log import LogDelivery
from pipeline.notify.mail import MailDelivery
from pipeline.notify.mqtt import MqttDelivery
from pipeline.store.ledger import Notice
from tests.brokers import free_port
from tests.notify.fakes import FakeDelivery, refuses
from tests.notify.post_office import PostOffice, refusal, serving
from tests.notify.scenario import ADDRESSES, NOW, item, mail, notice, retained

HOSTILE = "D3\r\nBcc: all@elsewhere.example\u2028\x00\x1b[2J\ud800"


@dataclass
class Rig:
    """A delivery that works, the same kind with nobody behind it, and what arrived as text."""

    works: Delivery
    fails: Delivery
    told: Notice
    arrived: Callable[[], list[str]]


def _log(folder: Path) -> Iterator[Rig]:
    path = folder / "alarms.log"
    blocked = folder / "blocked"
    blocked.mkdir()

    def bodies() -> list[str]:
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        return [json.loads(line)["body"] for line in lines]

    yield Rig(LogDelivery(path), LogDelivery(blocked), notice(delivery="log"), bodies)


def _mail(_folder: Path) -> Iterator[Rig]:
    with serving(PostOffice()) as office:
        works = MailDelivery(mail(office.port), ADDRESSES)
        fails = MailDelivery(mail(free_port()), ADDRESSES)
        yield Rig(
            works,
            fails,
            notice(),
            lambda: [one.get_content().replace("\r\n", "\n") for one in office.taken],
        )


def _mqtt(_folder: Path) -> Iterator[Rig]:
    payloads: list[str] = []

    def publish(_topic: str, payload: str, _retain: bool, _expiry_s: int) -> bool:
        payloads.append(payload)
        return True

    fails = MqttDelivery(lambda *_message: False)
    yield Rig(MqttDelivery(publish), fails, retained(), lambda: payloads)


def _fake(_folder: Path) -> Iterator[Rig]:
    works = FakeDelivery()
    fails = FakeDelivery(trouble=refuses())
    yield Rig(works, fails, notice(), lambda: [one.notice.body for one in works.taken])


@pytest.fixture(params=[_log, _mail, _mqtt, _fake], ids=["log", "mail", "mqtt", "fake"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    """Each delivery in turn."""
    yield from request.param(tmp_path)


def test_an_accepted_notice_arrived_and_says_so_in_one_line(rig: Rig) -> None:
    """What is reported as told is there, and the detail fits the journal."""
    detail = rig.works.deliver(item(rig.told), NOW)

    assert rig.arrived() == [rig.told.body]
    assert detail
    assert detail.splitlines() == [detail]


def test_a_failure_is_a_delivery_error_that_can_be_tried_again(rig: Rig) -> None:
    """With nobody behind it, each names itself and does not give up for good."""
    error = refusal(rig.fails, rig.told)

    assert error.delivery == rig.fails.name == rig.works.name
    assert not error.permanent
    assert str(error).splitlines() == [str(error)]
    assert rig.arrived() == []


def test_the_same_notice_can_be_told_again(rig: Rig) -> None:
    """Told twice after a crash is allowed and arrives twice."""
    for _ in range(2):
        rig.works.deliver(item(rig.told), NOW)

    assert rig.arrived() == [rig.told.body] * 2


def test_the_item_is_not_changed(rig: Rig) -> None:
    """A delivery reads its item and no more."""
    told = item(rig.told)
    before = copy.deepcopy(told)
    rig.works.deliver(told, NOW)

    assert told == before


def test_hostile_text_is_told_as_one_notice(rig: Rig) -> None:
    """Line breaks, escapes and broken characters in any field neither stop nor split it."""
    hostile = replace(
        rig.told,
        subject=HOSTILE,
        alarm=HOSTILE,
        body="one body\n",
        facts={"structure": HOSTILE, "point": HOSTILE},
    )
    detail = rig.works.deliver(item(hostile), NOW)

    assert rig.arrived() == ["one body\n"]
    assert detail.splitlines() == [detail]
