"""
Publishing over real brokers: everything arrives once, is counted, and survives a broken link.
"""

import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from pipeline.errors import StationError
from pipeline.simulate.encode import Message
from pipeline.simulate.publish import Link, Published, Publisher, publish
from tests.brokers import embedded, free_port, mosquitto, wait_until

TOPIC = "spanwarden/s/n/readings"


def messages(count: int, step_us: int = 1) -> list[Message]:
    """Small messages with their number as payload."""
    return [
        Message(TOPIC, "application/senml+json", str(i).encode(), i, 2, i * step_us)
        for i in range(1, count + 1)
    ]


class Subscriber:
    """A plain client that keeps what comes on our topic."""

    def __init__(self, port: int, protocol: str = "5") -> None:
        version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, "listener", protocol=version)
        self.received: list[mqtt.MQTTMessage] = []
        self.ready = threading.Event()
        self.client.on_connect = lambda c, *_: c.subscribe(TOPIC, 1)
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = lambda _c, _u, message: self.received.append(message)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)

    def __enter__(self) -> "Subscriber":
        self.client.loop_start()
        assert self.ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def numbers(self) -> list[int]:
        """Payloads as numbers, in order of arrival."""
        return [int(message.payload) for message in self.received]


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_everything_arrives_in_order_and_is_counted(tmp_path: Path, protocol: Any) -> None:
    """3000 messages through a small window: all acknowledged, all received, in order."""
    # Without this the broker drops what a listener on the same cores is behind by 1000.
    all_queued = ["max_queued_messages 0"]
    with (
        mosquitto(tmp_path, extra=all_queued) as broker,
        Subscriber(broker.port, protocol) as listener,
    ):
        done = publish(messages(3000), Link(port=broker.port, protocol=protocol), window=50)
        wait_until(lambda: len(listener.received) >= 3000, "all messages received")

    assert done == Published(3000, 3000, 6000)
    assert listener.numbers() == list(range(1, 3001))


@pytest.mark.slow
@pytest.mark.broker
def test_mqtt_5_carries_content_type_and_sequence(tmp_path: Path) -> None:
    """The content type and the user property `sequence` come with each message."""
    with mosquitto(tmp_path) as broker, Subscriber(broker.port) as listener:
        publish(messages(3), Link(port=broker.port))
        wait_until(lambda: len(listener.received) == 3, "three messages received")
    properties: list[Any] = [message.properties for message in listener.received]

    assert [p.ContentType for p in properties] == ["application/senml+json"] * 3
    assert [p.UserProperty for p in properties] == [[("sequence", str(i))] for i in (1, 2, 3)]


@pytest.mark.slow
@pytest.mark.broker
def test_a_broker_that_restarts_loses_nothing(tmp_path: Path) -> None:
    """The broker is killed half-way: the rest waits, and every message arrives at least once."""
    with mosquitto(tmp_path) as broker, Subscriber(broker.port) as listener:
        with Publisher(Link(port=broker.port), window=500) as publisher:
            for message in messages(200):
                publisher.send(message)
            publisher.wait_acknowledged()
            wait_until(lambda: len(listener.received) >= 200, "the first half received")
            listener.ready.clear()
            broker.kill()
            for message in messages(400)[200:]:
                publisher.send(message)
            held = publisher.published()
            broker.start()
            done = publisher.wait_acknowledged()
        assert listener.ready.wait(10)
        again = publish(messages(401)[400:], Link(port=broker.port))
        wait_until(lambda: 401 in listener.numbers(), "the listener is back")

    assert held.acknowledged < held.messages == 400
    assert done.acknowledged == 400
    assert again.acknowledged == 1


@pytest.mark.slow
def test_the_embedded_broker_takes_everything() -> None:
    """MQTT 3.1.1 to the embedded broker: all acknowledged, all received."""
    with embedded() as broker, Subscriber(broker.port, "3.1.1") as listener:
        done = publish(messages(300), Link(port=broker.port, protocol="3.1.1"))
        wait_until(lambda: len(listener.received) >= 300, "all messages received")

    assert done.acknowledged == 300
    assert listener.numbers() == list(range(1, 301))


@pytest.mark.slow
@pytest.mark.broker
def test_pace_follows_the_stream_divided_by_the_speed(tmp_path: Path) -> None:
    """Messages 60 s apart at speed 30 ask for pauses that end 2 s apart."""
    now = [0.0]
    ends: list[float] = []

    def pause(seconds: float) -> None:
        now[0] += seconds
        ends.append(now[0])

    with mosquitto(tmp_path) as broker:
        link = Link(port=broker.port)
        publish(messages(4, 60_000_000), link, speed=30.0, clock=lambda: now[0], pause=pause)

    assert ends == pytest.approx([2.0, 4.0, 6.0])


def test_no_broker_is_told_with_the_remedy() -> None:
    """The message names the address and what to do."""
    port = free_port()
    with pytest.raises(StationError, match=rf"127\.0\.0\.1:{port}.*--broker host:port"):
        publish(messages(1), Link(port=port))


@pytest.mark.slow
@pytest.mark.broker
def test_a_refused_login_is_told(tmp_path: Path) -> None:
    """A wrong password ends in an error, not in endless retries."""
    with mosquitto(tmp_path, password=("node", "right")) as broker:
        link = Link(port=broker.port, username="node", password="wrong")
        with pytest.raises(StationError, match="refuses the connection"):
            publish(messages(1), link)


@pytest.mark.slow
@pytest.mark.broker
def test_a_broker_that_stops_acknowledging_is_told_with_counts(tmp_path: Path) -> None:
    """Killed for good: after the patience the counts are told."""
    with mosquitto(tmp_path) as broker, Publisher(Link(port=broker.port), 5, 0.5) as publisher:
        broker.kill()
        for message in messages(5):
            publisher.send(message)
        with pytest.raises(StationError, match=r"acknowledged 0 of 5 messages.*0\.5 s"):
            publisher.send(messages(6)[5])
