"""
The broker's configuration in `ops/` and the canary that tells a good broker from a forgetful one.

The figure of 50,000 messages is that of the measured trap: packaged settings deliver 1,000.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.ingest.canary import MESSAGES, Finding, probe_broker
from pipeline.site.models import Broker
from tests.brokers import OPS_CONF, embedded, mosquitto, wait_until
from tests.ingest.sites import NORTH
from tests.ingest.stations import (
    FakeSpool,
    numbered,
    publisher,
    running,
    wait_for,
    wait_subscribed,
)

pytestmark = [pytest.mark.broker, pytest.mark.slow]


def probe(address: Any, **options: Any) -> list[Finding]:
    """What the canary finds."""
    broker = Broker(host=address.host, port=address.port, **options)
    return probe_broker(broker, {}, quiet_s=1.0, timeout_s=30.0)


def test_all_messages_come_when_the_tuned_broker_kept_them(tmp_path: Path) -> None:
    """50,000 messages published while the station was away are all delivered, in order."""
    spool = FakeSpool()
    with mosquitto(tmp_path, conf=OPS_CONF) as broker:
        with running(spool, broker) as client:
            wait_subscribed(client)
        with publisher(broker) as sender:
            sender.send(numbered(0, 50_000))
        with running(spool, broker) as client:
            wait_until(lambda: len(spool.records) >= 50_000, "50,000 kept", timeout_s=60)
            wait_for(client, lambda seen: seen.acknowledged >= 50_000, "all acknowledged")

    assert spool.payloads() == numbered(0, 50_000)
    assert {record.topic for record in spool.records} == {NORTH}


def test_messages_survive_when_the_tuned_broker_is_restarted(tmp_path: Path) -> None:
    """Session and queue are in its file after a clean end."""
    spool = FakeSpool()
    with mosquitto(tmp_path, conf=OPS_CONF) as broker:
        with running(spool, broker) as client:
            wait_subscribed(client)
        with publisher(broker) as sender:
            sender.send(numbered(0, 2000))
        broker.stop()
        broker.start()
        with running(spool, broker) as client:
            wait_for(client, lambda seen: seen.acknowledged == 2000, "2000 acknowledged")

    assert spool.payloads() == numbered(0, 2000)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_canary_is_content_when_the_broker_is_tuned(tmp_path: Path, protocol: str) -> None:
    """All four findings are good, and neither session nor message is left behind."""
    with mosquitto(tmp_path, conf=OPS_CONF) as broker:
        findings = probe(broker, protocol=protocol)
        broker.stop()
        left = (tmp_path / "mosquitto.db").read_bytes()

    assert [(finding.name, finding.is_good) for finding in findings] == [
        ("connect", True),
        ("subscribe", True),
        ("publish", True),
        ("keeps", True),
    ]
    assert b"canary" not in left


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_canary_warns_when_the_broker_has_packaged_limits(tmp_path: Path, protocol: str) -> None:
    """Of 3000 confirmed messages 1000 come, and the text says what to use."""
    with mosquitto(tmp_path) as broker:
        findings = probe(broker, protocol=protocol)

    assert [finding.name for finding in findings if not finding.is_good] == ["keeps"]
    assert f"confirmed {MESSAGES} messages" in findings[-1].text
    assert "delivered 1000 when it came back" in findings[-1].text
    assert "use ops/mosquitto.conf (max_queued_messages)" in findings[-1].text


def test_canary_warns_when_the_broker_is_the_embedded_one() -> None:
    """It keeps nothing for an absent anonymous consumer."""
    with embedded() as broker:
        findings = probe(broker, protocol="3.1.1")

    assert (findings[-1].name, findings[-1].is_good) == ("keeps", False)
    assert "delivered 0 when it came back" in findings[-1].text


def test_canary_tells_who_was_refused_when_the_user_is_unknown(tmp_path: Path) -> None:
    """Only the connection is judged then."""
    with mosquitto(tmp_path, password=("mill", "right")) as broker:
        (finding,) = probe(broker)

    assert (finding.name, finding.is_good) == ("connect", False)
    assert "refuses the connection: Not authorized. It was asked with no user" in finding.text


def test_canary_tells_what_may_not_be_published_when_rights_are_short(tmp_path: Path) -> None:
    """MQTT 5 says it: confirmed and refused are counted apart."""
    rights = tmp_path / "acl"
    rights.write_text("topic read spanwarden/#\n")
    with mosquitto(tmp_path / "broker", extra=[f"acl_file {rights}"]) as broker:
        findings = probe(broker)

    assert (findings[-1].name, findings[-1].is_good) == ("publish", False)
    assert f"confirmed 0 and refused {MESSAGES} of {MESSAGES} messages" in findings[-1].text


def test_canary_says_so_when_nobody_answers() -> None:
    """A closed port is told with what to look at."""
    broker = Broker(host="127.0.0.1", port=9)
    (finding,) = probe_broker(broker, {}, timeout_s=0.3)

    assert finding.text == (
        "broker 127.0.0.1:9 does not answer within 0.3 s. See that it runs, and that host, port, "
        "tls and protocol in site.toml are right."
    )
