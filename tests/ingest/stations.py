"""
What the client tests share: a fake spool, a publisher, and a client that is stopped at the end.

The fake spool keeps in memory what the real one keeps on the medium, and fails when told to.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from pipeline.errors import StorageError
from pipeline.ingest.client import BrokerClient, ClientStatistics
from pipeline.site.models import Broker
from pipeline.store.spool import Record
from tests.brokers import wait_until
from tests.ingest.sites import NORTH, NOW_US


class FakeSpool:
    """
    A spool in memory; it can be held (`gate` not set), and told to fail at its n-th append.

    `ValueError` for a record whose topic is "unusable", as for one that fits in no frame.
    """

    def __init__(self, fail_at: int | None = None) -> None:
        self.records: list[Record] = []
        self.groups: list[int] = []
        self.gate = threading.Event()
        self.gate.set()
        self.waiting = threading.Event()
        self._fail_at = fail_at
        self._calls = itertools.count(1)

    def append(self, records: Sequence[Record], *, sync: bool = True) -> int:
        """Keep the records, unless told to fail."""
        self.waiting.set()
        self.gate.wait()
        if any(record.topic == "unusable" for record in records):
            raise ValueError("topic does not fit in a frame")
        if next(self._calls) == self._fail_at:
            raise StorageError("spool: records not durable: Input/output error")
        self.records += records
        self.groups.append(len(records))
        return len(self.records) - 1

    def payloads(self) -> list[bytes]:
        """Payloads in the order in which they became durable."""
        return [record.payload for record in self.records]


@contextmanager
def running(
    spool: Any, address: Any, *, protocol: Any = "5", **options: Any
) -> Iterator[BrokerClient]:
    """A started client of structure "mill"; stopped at the end, at the latest."""
    broker = Broker(
        host=address.host,
        port=address.port,
        protocol=protocol,
        **options.pop("broker", {}),
    )
    options = {"clock": itertools.count(NOW_US).__next__, "environ": {}, **options}
    client = BrokerClient("mill", broker, spool, **options)
    client.start()
    try:
        yield client
    finally:
        client.stop()


def wait_for(
    client: BrokerClient, condition: Callable[[ClientStatistics], object], what: str
) -> ClientStatistics:
    """Statistics of the client once the condition holds for them."""
    wait_until(lambda: condition(client.statistics()), what)
    return client.statistics()


def wait_subscribed(client: BrokerClient) -> None:
    """Wait until messages can come."""
    wait_for(client, lambda seen: seen.is_subscribed, "subscribed")


class Publisher:
    """An MQTT 5 publisher, one connection; `send` returns when all is confirmed."""

    def __init__(self, address: Any, **security: Any) -> None:
        self._confirmed = 0
        self._changed = threading.Condition()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, protocol=security.pop("protocol", mqtt.MQTTv5)
        )
        self.client.max_inflight_messages_set(500)
        self.client.on_publish = self._published
        if "ca_file" in security:
            self.client.tls_set(security["ca_file"])
        if "user" in security:
            self.client.username_pw_set(*security["user"])
        self.client.connect(address.host, address.port)
        self.client.loop_start()

    def send(
        self,
        payloads: Sequence[bytes],
        *,
        topic: str = NORTH,
        retain: bool = False,
        content_type: str | None = None,
        sequence: str | None = None,
    ) -> None:
        """Publish at QoS 1 and wait for every PUBACK."""
        properties = None
        if content_type is not None or sequence is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if content_type is not None:
                properties.ContentType = content_type
            if sequence is not None:
                properties.UserProperty = ("sequence", sequence)
        wanted = self._confirmed + len(payloads)
        for payload in payloads:
            self.client.publish(topic, payload, 1, retain, properties)
        with self._changed:
            assert self._changed.wait_for(lambda: self._confirmed >= wanted, 60), "no PUBACK"

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()

    def _published(self, client: Any, userdata: Any, mid: int, code: Any, properties: Any) -> None:
        with self._changed:
            self._confirmed += 1
            self._changed.notify_all()


@contextmanager
def publisher(address: Any, **security: Any) -> Iterator[Publisher]:
    """A publisher that is disconnected at the end."""
    sender = Publisher(address, **security)
    try:
        yield sender
    finally:
        sender.close()


def numbered(start: int, stop: int) -> list[bytes]:
    """Distinct small payloads."""
    return [b"%d" % number for number in range(start, stop)]
