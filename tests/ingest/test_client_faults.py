"""
Faults around the client: broker gone, late acknowledgements, raising callbacks, failed spool.

What was not durable must come again; what was acknowledged must be durable.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.ingest.client import Limits
from tests.brokers import OPS_CONF, MosquittoProcess, mosquitto, wait_until
from tests.ingest.refusing import RefusingBroker
from tests.ingest.sites import NOW_US
from tests.ingest.stations import (
    FakeSpool,
    numbered,
    publisher,
    running,
    wait_for,
    wait_subscribed,
)

pytestmark = [pytest.mark.broker, pytest.mark.slow]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[MosquittoProcess]:
    """A plain Mosquitto, which keeps nothing over its own end."""
    with mosquitto(tmp_path / "broker") as process:
        yield process


def test_late_acknowledgement_is_not_sent_when_the_broker_forgot_the_session(
    broker: MosquittoProcess,
) -> None:
    """
    Packet ids start again in a new session: acks of the old one would remove new messages.

    The old group becomes durable after the new messages came, and the spool fails on those: they
    are not stored, so they must come again.
    """
    spool = FakeSpool(fail_at=2)
    spool.gate.clear()
    with running(spool, broker, group_commit_ms=500) as client:
        wait_subscribed(client)
        with publisher(broker) as sender:
            sender.send([b"old-%d" % number for number in range(5)])
        assert spool.waiting.wait(20)
        broker.kill()
        wait_for(client, lambda seen: not seen.is_connected, "connection lost")
        broker.start()
        wait_subscribed(client)
        with publisher(broker) as sender:
            sender.send([b"new-%d" % number for number in range(5)])
        wait_for(client, lambda seen: seen.received == 10, "10 received")
        spool.gate.set()
        seen = wait_for(client, lambda seen: seen.fault and "output" in seen.fault, "failure")
    fresh = FakeSpool()
    with running(fresh, broker) as client:
        wait_for(client, lambda seen: seen.acknowledged == 5, "5 again")

    assert spool.payloads() == [b"old-%d" % number for number in range(5)]
    assert (seen.late_acknowledgements, seen.acknowledged) == (5, 0)
    assert sorted(fresh.payloads()) == [b"new-%d" % number for number in range(5)]


def test_messages_come_again_when_a_callback_raises(broker: MosquittoProcess) -> None:
    """The thread lives on, the message is not acknowledged, and the fault is told."""
    calls = itertools.count()

    def clock() -> int:
        if next(calls) == 3:  # once at the connection, then for each message
            raise RuntimeError("the clock broke")
        return NOW_US

    spool = FakeSpool()
    with running(spool, broker, clock=clock) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send(numbered(0, 6))
        wait_until(lambda: set(spool.payloads()) == set(numbered(0, 6)), "all kept")
        seen = wait_for(client, lambda seen: seen.acknowledged >= 6, "all acknowledged")

        assert client.is_alive()
    assert (seen.callback_errors, seen.fault) == (1, None)
    assert seen.flagged_duplicate > 0


def test_nothing_is_acknowledged_when_the_spool_failed(broker: MosquittoProcess) -> None:
    """The failure is told once with what to do, and the next client gets every message."""
    told: list[str] = []
    spool = FakeSpool(fail_at=1)
    with publisher(broker) as sender:
        with running(spool, broker, on_failure=told.append) as client:
            wait_subscribed(client)
            sender.send(numbered(0, 20))
            wait_for(client, lambda seen: seen.fault, "the fault")
            sender.send(numbered(20, 30))
            seen = wait_for(client, lambda seen: seen.received == 30, "30 received")

            assert not client.is_alive()
            assert not client.submit([], wait=True)
            assert client.publish("spanwarden/mill/alarms/disk", b"full")
        fresh = FakeSpool()
        with running(fresh, broker) as client:
            wait_for(client, lambda seen: seen.acknowledged == 30, "30 again")

    assert told == [
        "spool: records not durable: Input/output error No message is taken or acknowledged any "
        "more; the broker keeps them until the station was started again."
    ]
    assert (seen.acknowledged, spool.records) == (0, [])
    assert fresh.payloads() == numbered(0, 30)


def test_messages_come_again_when_the_queue_stays_full(broker: MosquittoProcess) -> None:
    """A message without room is left with the broker, which sends it when there is room."""
    spool = FakeSpool()
    spool.gate.clear()
    limits = Limits(queue_records=10, group_records=10, patience_s=0.05)
    with running(spool, broker, limits=limits) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send(numbered(0, 100))
        wait_for(client, lambda seen: seen.left_unacknowledged > 0, "left with the broker")
        spool.gate.set()
        wait_until(lambda: len(set(spool.payloads())) == 100, "all 100 kept")

        assert client.is_alive()
    assert set(spool.payloads()) == set(numbered(0, 100))


def test_station_connects_again_when_the_broker_was_restarted(tmp_path: Path) -> None:
    """With the tuned broker, messages of the time between are kept and come."""
    spool = FakeSpool()
    with mosquitto(tmp_path, conf=OPS_CONF) as broker, running(spool, broker) as client:
        wait_subscribed(client)
        before = client.statistics().generation
        with publisher(broker) as sender:
            sender.send(numbered(0, 10))
            wait_for(client, lambda seen: seen.acknowledged == 10, "10 acknowledged")
        broker.stop()
        seen = wait_for(client, lambda seen: not seen.is_connected, "connection lost")
        broker.start()
        with publisher(broker) as sender:
            sender.send(numbered(10, 20))
        # An acknowledgement that the old broker did not read in time brings its message again.
        wait_until(lambda: set(spool.payloads()) == set(numbered(0, 20)), "all 20 kept")
        after = wait_for(client, lambda seen: seen.is_subscribed, "subscribed again")

    assert "It is tried again for ever" in (seen.fault or "")
    assert (after.fault, after.is_subscribed) == (None, True)
    assert after.generation > before


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_clients_with_one_id_are_told(broker: MosquittoProcess, protocol: str) -> None:
    """A copy of the site elsewhere: both take the session from each other, and both say so."""
    with (
        running(FakeSpool(), broker, protocol=protocol) as client,
        running(FakeSpool(), broker, protocol=protocol) as other,
    ):
        first = wait_for(client, lambda seen: seen.flapping, "told")
        second = wait_for(other, lambda seen: seen.flapping, "told by the other one")

    for seen in (first, second):
        assert "another client uses the id spanwarden-mill" in (seen.flapping or "")
        assert seen.lost_connections >= (1 if protocol == "5" else 5)


def test_connection_that_the_client_drops_itself_is_no_sign_of_another(
    broker: MosquittoProcess,
) -> None:
    """A full queue drops connections on purpose, which is another fault."""
    spool = FakeSpool()
    spool.gate.clear()
    limits = Limits(queue_records=1, group_records=1, patience_s=0.01)
    with running(spool, broker, limits=limits) as client, publisher(broker) as sender:
        wait_subscribed(client)
        start = client.statistics().generation
        sender.send(numbered(0, 5))
        seen = wait_for(client, lambda seen: seen.generation > start + 5, "dropped")
        spool.gate.set()

    assert (seen.lost_connections, seen.flapping) == (0, None)


def test_subscription_is_tried_again_when_it_is_refused() -> None:
    """paho reports a refused subscription to nobody: it is told as a fault, and asked again."""
    limits = Limits(resubscribe_s=0.05)
    with (
        RefusingBroker() as broker,
        running(FakeSpool(), broker, limits=limits) as client,
    ):
        seen = wait_for(client, lambda seen: seen.refused_subscriptions >= 2, "refused twice")
        broker.answer = 0x00
        other = wait_for(client, lambda seen: seen.fault and "QoS 0" in seen.fault, "QoS 0")
        broker.answer = 0x01
        good = wait_for(client, lambda seen: seen.is_subscribed, "granted at last")

    assert not seen.is_subscribed
    assert not other.is_subscribed
    assert seen.fault == (
        'broker answers the subscription to "spanwarden/mill/+/readings" with: Not authorized; '
        "QoS 1 is needed. Allow the station's user to read this topic at QoS 1."
    )
    assert good.fault is None


def test_group_is_bounded_by_time_when_few_messages_come(broker: MosquittoProcess) -> None:
    """Without other messages a group waits for its window, and no longer than it and a sync."""
    with running(FakeSpool(), broker, group_commit_ms=50) as client, publisher(broker) as sender:
        wait_subscribed(client)
        for number in range(3):
            sender.send([b"%d" % number])
            wait_for(client, lambda seen, n=number: seen.acknowledged == n + 1, "acknowledged")  # type: ignore[misc]
        seen = client.statistics()

    assert seen.groups == 3
    assert 0.05 <= seen.max_group_delay_s < 2.0


def test_group_is_bounded_by_number_when_many_messages_come(broker: MosquittoProcess) -> None:
    """Half of the receive maximum ends a group; the window of a minute is not waited for."""
    spool = FakeSpool()
    options = {"broker": {"receive_maximum": 20}, "group_commit_ms": 60_000}
    with running(spool, broker, **options) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send(numbered(0, 100))
        # Fewer than half a window may be left waiting for company.
        wait_for(client, lambda seen: seen.acknowledged > 90, "all whole groups")

    assert spool.payloads() == numbered(0, 100)
