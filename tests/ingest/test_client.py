"""
The client with a real broker: what is kept and acknowledged, and what the record carries.

Mosquitto without configuration, one for the file; each test has a structure's session of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from pipeline.errors import StationError
from pipeline.ingest.client import KEEP_WHOLE_BYTES
from pipeline.ingest.codecs import CUT_PAYLOAD, SENML_JSON
from pipeline.ingest.gate import accept
from pipeline.store.spool import Record, RecordKind, Spool
from tests.brokers import MosquittoProcess, embedded, mosquitto, wait_until
from tests.ingest.sites import NORTH, NOW_US, mill_gate
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
    """A plain Mosquitto."""
    with mosquitto(tmp_path / "broker") as process:
        yield process


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_are_kept_and_acknowledged_when_they_come(
    broker: MosquittoProcess, protocol: str
) -> None:
    """Topic, bytes and time of receipt are in the spool in their order, then acknowledged."""
    spool = FakeSpool()
    with running(spool, broker, protocol=protocol) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send(numbered(0, 500))
        seen = wait_for(client, lambda seen: seen.acknowledged == 500, "500 acknowledged")

    assert spool.payloads() == numbered(0, 500)
    assert {record.topic for record in spool.records} == {NORTH}
    assert {record.kind for record in spool.records} == {RecordKind.MESSAGE}
    times = [record.received_us for record in spool.records]
    assert times == sorted(times)
    assert times[0] >= NOW_US
    assert (seen.received, seen.appended, seen.fault) == (500, 500, None)
    assert seen.groups < 500


def test_type_and_sequence_are_kept_when_mqtt_5_carries_them(broker: MosquittoProcess) -> None:
    """An unreadable sequence is counted and left out; the message is kept."""
    spool = FakeSpool()
    with running(spool, broker) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send([b"a"], content_type=SENML_JSON, sequence="41")
        sender.send([b"b"], sequence="-1")
        sender.send([b"c"])
        seen = wait_for(client, lambda seen: seen.acknowledged == 3, "3 acknowledged")

    assert [(r.payload, r.content_type, r.sequence) for r in spool.records] == [
        (b"a", SENML_JSON, 41),
        (b"b", "", None),
        (b"c", "", None),
    ]
    assert seen.sequence_unreadable == 1


def test_messages_come_when_they_were_sent_while_the_station_was_away(
    broker: MosquittoProcess,
) -> None:
    """The session is kept by the broker over a stop of the client."""
    spool = FakeSpool()
    with publisher(broker) as sender:
        with running(spool, broker) as client:
            wait_subscribed(client)
            assert client.stop()
        sender.send(numbered(0, 200))
        with running(spool, broker) as client:
            wait_for(client, lambda seen: seen.acknowledged == 200, "200 acknowledged")

    assert spool.payloads() == numbered(0, 200)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_retained_message_is_no_news_when_subscribing(
    broker: MosquittoProcess, protocol: str
) -> None:
    """It is not put into the spool; where the protocol cannot keep it away it is counted."""
    spool = FakeSpool()
    with publisher(broker) as sender:
        sender.send([b"old"], retain=True)
        with running(spool, broker, protocol=protocol) as client:
            wait_subscribed(client)
            sender.send([b"new"])
            wanted = 2 if protocol == "3.1.1" else 1
            seen = wait_for(client, lambda seen: seen.acknowledged == wanted, "acknowledged")

    assert spool.payloads() == [b"new"]
    assert seen.retained_ignored == wanted - 1


def test_large_message_is_cut_when_the_spool_cannot_take_it(broker: MosquittoProcess) -> None:
    """Its length, hash and first bytes are kept, and the gate refuses it as oversize."""
    spool = FakeSpool()
    payload = b"[" + b" " * KEEP_WHOLE_BYTES
    with running(spool, broker) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send([payload, payload[:-1]])
        seen = wait_for(client, lambda seen: seen.acknowledged == 2, "2 acknowledged")
    cut, whole = spool.records
    refusals = accept(spool.records, mill_gate()).refusals

    assert cut.content_type == CUT_PAYLOAD
    assert cut.payload.startswith(b"16777217 bytes, SHA-256 ")
    assert len(cut.payload) < 70_000
    assert whole.payload == payload[:-1]
    assert [refusal.reason for refusal in refusals] == ["oversize", "oversize"]
    assert "16777217 bytes, SHA-256" in refusals[0].detail
    assert seen.cut == 1


def test_message_at_qos_0_is_kept_and_counted_when_it_comes(broker: MosquittoProcess) -> None:
    """There is nothing to acknowledge, and the operator can see that a logger uses it."""
    spool = FakeSpool()
    with running(spool, broker) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.client.publish(NORTH, b"light", 0)
        seen = wait_for(client, lambda seen: seen.appended == 1, "kept")

    assert spool.payloads() == [b"light"]
    assert (seen.without_guarantee, seen.acknowledged) == (1, 0)


def test_records_of_the_station_are_durable_when_submit_returns(broker: MosquittoProcess) -> None:
    """They go through the same writer, and `wait` is over only when they are appended."""
    spool = FakeSpool()
    ticks = [Record(RecordKind.TICK, NOW_US + step, b"{}") for step in range(3)]
    with running(spool, broker) as client:
        durable = client.submit(ticks, wait=True)
        kept = list(spool.records)
        queued = client.submit(ticks[:1])
        wait_until(lambda: len(spool.records) == 4, "the queued one")
        client.stop()
        late = client.submit(ticks, wait=True)

    assert (durable, queued, late) == (True, True, False)
    assert kept == ticks
    assert len(spool.records) == 4


def test_record_that_fits_nowhere_stops_nothing_when_submitted(broker: MosquittoProcess) -> None:
    """The one record is refused and counted, those beside it are kept."""
    spool = FakeSpool()
    spool.gate.clear()
    with running(spool, broker) as client:
        client.submit([Record(RecordKind.TICK, NOW_US, b"1")])
        assert spool.waiting.wait(20)
        bad = threading.Thread(
            target=lambda: outcome.append(
                client.submit([Record(RecordKind.COMMAND, NOW_US, b"", "unusable")], wait=True)
            )
        )
        outcome: list[bool] = []
        bad.start()
        client.submit([Record(RecordKind.TICK, NOW_US, b"2")])
        spool.gate.set()
        bad.join(20)
        good = client.submit([Record(RecordKind.TICK, NOW_US, b"3")], wait=True)
        seen = client.statistics()

    assert (outcome, good) == ([False], True)
    assert spool.payloads() == [b"1", b"2", b"3"]
    assert seen.unusable_records == 1


def test_publish_is_retained_with_expiry_when_the_broker_takes_it(broker: MosquittoProcess) -> None:
    """A later subscriber gets it with its remaining life time, and knows it as retained."""
    with running(FakeSpool(), broker) as client:
        wait_subscribed(client)
        taken = client.publish("spanwarden/mill/alarms/a1", b"high", retain=True, expiry_s=600)
        message = read_one(broker, "spanwarden/mill/alarms/a1")

    assert taken
    assert (message.payload, message.retain) == (b"high", True)
    assert message.properties is not None
    assert 500 < vars(message.properties)["MessageExpiryInterval"] <= 600


def test_publish_says_no_when_there_is_no_broker(tmp_path: Path) -> None:
    """It says so without waiting for its time-out; the test's is a minute."""
    with mosquitto(tmp_path) as broker, running(FakeSpool(), broker) as client:
        wait_subscribed(client)
        broker.kill()
        wait_for(client, lambda seen: not seen.is_connected, "connection lost")

        assert not client.publish("spanwarden/mill/alarms/a1", b"x", timeout_s=60)


def test_publish_is_refused_when_called_from_a_callback(broker: MosquittoProcess) -> None:
    """There it could never end; the error says so."""
    caught: list[str] = []

    def clock() -> int:
        if client.statistics().is_connected:  # the clock is read in the callbacks
            with pytest.raises(StationError) as error:
                client.publish("spanwarden/x", b"")
            caught.append(str(error.value))
        return NOW_US

    with running(FakeSpool(), broker, clock=clock) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send([b"1"])
        wait_for(client, lambda seen: seen.acknowledged == 1, "acknowledged")

    assert caught == [
        "publish waits for an answer that only this very thread can read. Publish from another "
        "thread."
    ]


def test_status_is_offline_when_the_station_stops_or_dies(broker: MosquittoProcess) -> None:
    """A clean stop says it, retained; a lost connection lets the broker say it."""
    with running(FakeSpool(), broker, offline=b'{"state":"offline"}') as client:
        wait_subscribed(client)
        assert client.publish(client.status_topic, b"online", retain=True)
        client.stop()
        after_stop = read_one(broker, client.status_topic).payload
    with running(FakeSpool(), broker, offline=b"gone") as client:
        wait_subscribed(client)
        client._connection.abandon()
        wait_until(
            lambda: read_one(broker, client.status_topic).payload == b"gone", "the last will"
        )

    assert after_stop == b'{"state":"offline"}'


def test_stop_is_quick_when_the_broker_is_gone(tmp_path: Path) -> None:
    """A station must end within 5 s whatever its surroundings are."""
    with mosquitto(tmp_path) as broker, running(FakeSpool(), broker) as client:
        wait_subscribed(client)
        broker.kill()
        ending = threading.Thread(target=client.stop)
        ending.start()
        ending.join(5)

        assert not ending.is_alive()


def test_real_spool_gives_the_messages_back_when_opened_again(
    broker: MosquittoProcess, tmp_path: Path
) -> None:
    """What was acknowledged is on the medium, with all that came with it."""
    spool = Spool.open(tmp_path / "spool")
    with running(spool, broker) as client, publisher(broker) as sender:
        wait_subscribed(client)
        sender.send(numbered(0, 50), sequence="9", content_type=SENML_JSON)
        wait_for(client, lambda seen: seen.acknowledged == 50, "50 acknowledged")
    spool.close()
    again = Spool.open(tmp_path / "spool")
    records = again.read(0)
    again.close()

    assert [record.payload for record in records] == numbered(0, 50)
    assert {(r.topic, r.content_type, r.sequence) for r in records} == {(NORTH, SENML_JSON, 9)}


def test_embedded_broker_serves_the_client_when_trying_out() -> None:
    """Live messages of MQTT 3.1.1 come through it into the spool."""
    spool = FakeSpool()
    with embedded() as broker, running(spool, broker, protocol="3.1.1") as client:
        wait_subscribed(client)
        with publisher(broker, protocol=mqtt.MQTTv311) as sender:
            sender.send(numbered(0, 100))
        wait_for(client, lambda seen: seen.acknowledged == 100, "100 acknowledged")

    assert spool.payloads() == numbered(0, 100)


def read_one(broker: MosquittoProcess, topic: str) -> mqtt.MQTTMessage:
    """The first message that a new subscriber of the topic gets."""
    messages: list[mqtt.MQTTMessage] = []
    reader = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    reader.on_connect = lambda client, *rest: client.subscribe(topic, 1)
    reader.on_message = lambda client, userdata, message: messages.append(message)
    reader.connect(broker.host, broker.port)
    reader.loop_start()
    wait_until(lambda: messages, f"a message on {topic}")
    reader.disconnect()
    reader.loop_stop()
    return messages[0]
