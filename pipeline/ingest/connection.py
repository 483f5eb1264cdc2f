"""
The station's connection to the broker: callbacks, subscription, and the generation of acks.

An acknowledgement names only a packet id, and ids start again with a new session: one that is
sent late would remove a message that was never stored. So each carries the generation of the
connection on which its message came, which changes when a connection is lost and made.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from pipeline.ingest.losses import Losses
from pipeline.ingest.publishing import Publishing
from pipeline.ingest.record_queue import Entry
from pipeline.ingest.session import (
    connect_soon,
    expiring,
    new_client,
    refused_connection,
    refused_subscription,
    subscribe,
)
from pipeline.site.models import Broker

LOG = logging.getLogger(__name__)

STATUS_EXPIRY_S = 86_400
"""The broker forgets the station's status after a day: a dead one must not look alive."""

Deliver = Callable[[mqtt.MQTTMessage, int], bool]


class Connection:
    """
    A connection that is made again for ever, subscribed to one topic.

    Args:
        broker: the site's broker section.
        client_id: fixed, since the session belongs to it.
        topic: what is subscribed, at QoS 1.
        last_will: topic and payload that the broker publishes, retained, when we are gone.
        deliver: called on the network thread with each message and its generation; True: it will
            be acknowledged, or shall not come again on its own; False: drop the connection, so
            that the broker sends it again. It may raise; that is counted, and is as False.
        clock: µs since 1970 UTC.
        environ: where the password is looked up.
        resubscribe_s: how long after a refused or unanswered subscription the next is tried.

    Raises:
        StationError: the password is missing, or a TLS file cannot be used.
    """

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        topic: str,
        last_will: tuple[str, bytes],
        *,
        deliver: Deliver,
        clock: Callable[[], int],
        environ: Mapping[str, str],
        resubscribe_s: float,
    ) -> None:
        self.is_connected = self.is_subscribed = False
        self.connected_since_us: int | None = None
        self.generation = 0
        self.callback_errors = self.refused_connections = self.refused_subscriptions = 0
        self.network: threading.Thread | None = None
        self._broker, self._topic = broker, topic
        self._deliver, self._clock, self._resubscribe_s = deliver, clock, resubscribe_s
        self._faults: dict[str, str] = {}
        self._is_closing = self._is_abandoned = False
        self.losses = Losses(client_id)
        self._subscription_due_s: float | None = None
        # Reentrant: with a dead network thread paho calls back out of `ack`, in the caller.
        self._guard = threading.RLock()
        self._client = new_client(broker, client_id, environ)
        will = expiring(STATUS_EXPIRY_S, PacketTypes.WILLMESSAGE, broker)
        self._client.will_set(*last_will, qos=1, retain=True, properties=will)
        self._publishing = Publishing(self._client)
        self._set_callbacks()

    @property
    def fault(self) -> str | None:
        """What keeps messages from coming, and what to do; None: nothing that is known."""
        return next(iter(list(self._faults.values())), None)

    @property
    def flapping(self) -> str | None:
        """What says that another client uses our id, or that the link flaps; None: nothing."""
        return self.losses.fault(time.monotonic())

    def start(self) -> None:
        """Start the network thread, which connects and connects again."""
        connect_soon(self._client, self._broker)

    def acknowledge(self, entries: Sequence[Entry]) -> tuple[int, int]:
        """Acknowledge in this order; how many were sent, and how many not, being too late."""
        sent = late = 0
        with self._guard:
            for entry in entries:
                if not entry.packet:
                    continue
                if entry.generation == self.generation:
                    self._client.ack(entry.packet, 1)
                    sent += 1
                else:
                    late += 1
        return sent, late

    def abandon(self) -> None:
        """Drop the connection, to be made again: the broker then repeats what is open."""
        with self._guard:
            self.generation += 1
        self._is_abandoned = True
        self._shut_socket()

    def maintain(self) -> None:
        """Subscribe again when that is due; to be called now and then, from one other thread."""
        due_s = self._subscription_due_s
        if due_s is not None and self.is_connected and time.monotonic() >= due_s:
            self._subscribe()

    def publish(
        self, topic: str, payload: bytes, retain: bool, expiry_s: int | None, timeout_s: float
    ) -> bool:
        """Publish at QoS 1; see `BrokerClient.publish`."""
        if not self.is_connected:
            return False
        properties = expiring(expiry_s, PacketTypes.PUBLISH, self._broker)
        return self._publishing.send(topic, payload, retain, properties, timeout_s)

    def close(self, timeout_s: float) -> bool:
        """Disconnect and end the network thread; whether it ended in time."""
        self._is_closing = True
        self._client.disconnect()
        # `loop_stop` waits for the network thread, which may wait for a broker that is silent.
        ending = threading.Thread(target=self._client.loop_stop, name="mqtt-end", daemon=True)
        ending.start()
        ending.join(timeout_s / 2)
        if ending.is_alive():
            self._shut_socket()
            ending.join(timeout_s / 2)
        return not ending.is_alive()

    def _set_callbacks(self) -> None:
        client = self._client
        client.on_pre_connect = self._guarded(self._before_connect)
        client.on_connect = self._guarded(self._connected)
        client.on_connect_fail = self._guarded(self._not_connected)
        client.on_disconnect = self._guarded(self._disconnected)
        client.on_subscribe = self._guarded(self._subscribed)
        client.on_publish = self._guarded(self._published)
        client.on_message = self._guarded(self._message)

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        def run(*arguments: Any) -> None:
            # The one broad except of the room: an exception that reaches paho ends its thread,
            # while it goes on to say that it is connected. The connection is dropped instead,
            # so that nothing that was not kept is taken for acknowledged.
            try:
                callback(*arguments)
            except Exception as error:
                self.callback_errors += 1
                self._faults["callback"] = (
                    f"{type(error).__name__} while a message of the broker was taken: {error}. "
                    "This is a fault of the software; the broker will send the message again."
                )
                LOG.exception("mqtt_callback_failed callback=%s", callback.__name__)
                self.abandon()

        return run

    def _before_connect(self, client: mqtt.Client, userdata: Any) -> None:
        self.network = threading.current_thread()
        with self._guard:
            self.generation += 1

    def _connected(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.ConnectFlags,
        code: ReasonCode,
        properties: Any,
    ) -> None:
        if code.is_failure:
            self.refused_connections += 1
            self._faults["connection"] = refused_connection(self._broker, code)
            LOG.warning("mqtt_connection_refused code=%s", code)
            return
        self._faults.pop("connection", None)
        self._faults.pop("callback", None)
        self.connected_since_us = self._clock()
        self.is_connected, self._is_abandoned = True, False
        LOG.info("mqtt_connected session_present=%s", flags.session_present)
        self._subscribe()

    def _not_connected(self, client: mqtt.Client, userdata: Any) -> None:
        where = f"{self._broker.host}:{self._broker.port}"
        self._faults["connection"] = (
            f"broker {where} cannot be reached: {sys.exc_info()[1] or 'no answer'}. It is tried "
            "again for ever; see that the broker runs and that host, port and tls are right."
        )

    def _disconnected(
        self, client: mqtt.Client, userdata: Any, flags: Any, code: ReasonCode, properties: Any
    ) -> None:
        with self._guard:
            self.generation += 1
        was_connected, self.is_connected = self.is_connected, False
        self.is_subscribed, self.connected_since_us = False, None
        if was_connected and not self._is_closing:
            LOG.warning("mqtt_disconnected code=%s", code)
            if not self._is_abandoned:
                self.losses.note(time.monotonic(), code.value)
            self._faults.setdefault(
                "connection", f"connection to the broker lost: {code}. It is tried again for ever."
            )

    def _subscribe(self) -> None:
        self._subscription_due_s = time.monotonic() + self._resubscribe_s
        subscribe(self._client, self._broker, self._topic)

    def _subscribed(
        self,
        client: mqtt.Client,
        userdata: Any,
        mid: int,
        codes: list[ReasonCode],
        properties: Any,
    ) -> None:
        if [code.value for code in codes] == [1]:
            self.is_subscribed, self._subscription_due_s = True, None
            self._faults.pop("subscription", None)
            LOG.info("mqtt_subscribed topic=%s", self._topic)
            return
        self.is_subscribed = False
        self.refused_subscriptions += 1
        self._faults["subscription"] = refused_subscription(self._topic, codes)
        LOG.warning("mqtt_subscription_refused topic=%s", self._topic)

    def _published(
        self, client: mqtt.Client, userdata: Any, mid: int, code: ReasonCode, properties: Any
    ) -> None:
        self._publishing.answered(mid, code)

    def _message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        if not self._deliver(message, self.generation):
            self.abandon()

    def _shut_socket(self) -> None:
        connected = self._client.socket()
        if isinstance(connected, socket.socket):
            with contextlib.suppress(OSError):  # it is closed already
                connected.shutdown(socket.SHUT_RDWR)
