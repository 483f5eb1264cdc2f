"""
Sends messages to an MQTT broker at QoS 1 and counts what was acknowledged.

Real time, faster, or as fast as a bounded number of unacknowledged messages allows.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from pipeline.errors import StationError
from pipeline.simulate.encode import Message

Protocol = Literal["5", "3.1.1"]
WINDOW = 200
"""Messages on the way without an acknowledgement."""


@dataclass(frozen=True)
class Link:
    """The broker and how to reach it."""

    host: str = "127.0.0.1"
    port: int = 1883
    protocol: Protocol = "5"
    client_id: str = "spanwarden-simulate"
    username: str | None = None
    password: str | None = None


@dataclass(frozen=True)
class Published:
    """What was sent and what the broker took over."""

    messages: int
    acknowledged: int
    readings: int


class Publisher:
    """
    A connection that sends at QoS 1 and reconnects by itself; a context manager.

    Args:
        link: the broker.
        window: unacknowledged messages at most; `send` waits beyond.
        patience_s: how long a connection or an acknowledgement may take before it is an error.

    Raises:
        StationError: on entering, when the broker cannot be reached or refuses.
    """

    def __init__(self, link: Link, window: int = WINDOW, patience_s: float = 30.0) -> None:
        self._link, self._patience_s = link, patience_s
        self._room = threading.Semaphore(window)
        self._changed = threading.Condition()
        self._sent = self._acknowledged = self._readings = 0
        self._connected = False
        self._refusal = ""
        version = mqtt.MQTTv5 if link.protocol == "5" else mqtt.MQTTv311
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, link.client_id, protocol=version)
        self._client.max_inflight_messages_set(window)
        self._client.reconnect_delay_set(1, 4)
        self._client.username_pw_set(link.username, link.password)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish

    def __enter__(self) -> Publisher:
        try:
            self._client.connect(self._link.host, self._link.port, keepalive=30)
        except OSError as error:
            raise StationError(self._unreachable(str(error))) from error
        self._client.loop_start()
        with self._changed:
            self._changed.wait_for(lambda: self._connected or self._refusal, self._patience_s)
            is_connected = self._connected
        # Outside the lock: the client's thread may wait for it, and stopping waits for the thread.
        if not is_connected:
            self._stop()
            raise StationError(self._unreachable(self._refusal or "no answer"))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop()

    def send(self, message: Message) -> None:
        """
        Hand over one message; waits while the window is full.

        Raises:
            StationError: no acknowledgement made room within `patience_s`, or one refused.
        """
        if not self._room.acquire(timeout=self._patience_s):
            raise StationError(self._stuck())
        self._check_refusal()
        with self._changed:
            self._sent += 1
            self._readings += message.readings
        # Without a connection the client keeps the message and sends it when it is back.
        self._client.publish(
            message.topic, message.payload, qos=1, properties=self._properties(message)
        )

    def wait_acknowledged(self) -> Published:
        """
        Wait until the broker has acknowledged everything sent.

        Raises:
            StationError: nothing was acknowledged for `patience_s`, or something refused.
        """
        stuck = False
        with self._changed:
            while self._acknowledged < self._sent and not self._refusal:
                # Every acknowledgement and refusal notifies, so a time-out means that none came.
                if not self._changed.wait(self._patience_s):
                    stuck = True
                    break
        self._check_refusal()
        if stuck:
            raise StationError(self._stuck())
        return self.published()

    def published(self) -> Published:
        """Counts so far."""
        with self._changed:
            return Published(self._sent, self._acknowledged, self._readings)

    def _stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _properties(self, message: Message) -> Properties | None:
        if self._link.protocol != "5":
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho's
        properties.ContentType = message.content_type
        properties.UserProperty = [("sequence", str(message.sequence))]
        return properties

    def _on_connect(self, _c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        with self._changed:
            self._connected = not reason.is_failure
            if reason.is_failure:
                self._refusal = f"the broker refuses the connection: {reason}"
            self._changed.notify_all()

    def _on_disconnect(self, _c: Any, _u: Any, _f: Any, _reason: Any, _p: Any) -> None:
        with self._changed:
            self._connected = False

    def _on_publish(self, _c: Any, _u: Any, _mid: int, reason: Any, _p: Any) -> None:
        with self._changed:
            if reason.is_failure:
                self._refusal = f"the broker refuses a message: {reason}"
            else:
                self._acknowledged += 1
            self._changed.notify_all()
        self._room.release()

    def _check_refusal(self) -> None:
        if self._refusal:
            raise StationError(
                f"{self._address()}: {self._refusal}. Check user name, password and the rights "
                "on the topic."
            )

    def _address(self) -> str:
        return f"{self._link.host}:{self._link.port}"

    def _unreachable(self, why: str) -> str:
        return (
            f"no connection to the broker at {self._address()} ({why}). Start a broker there, or "
            "name another with --broker host:port and its --protocol."
        )

    def _stuck(self) -> str:
        counts = self.published()
        return (
            f"{self._address()} acknowledged {counts.acknowledged} of {counts.messages} messages "
            f"and then none for {self._patience_s:g} s. Check that the broker runs and has room."
        )


def publish(
    messages: Iterable[Message],
    link: Link,
    *,
    speed: float | None = None,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], object] = time.sleep,
    window: int = WINDOW,
    patience_s: float = 30.0,
) -> Published:
    """
    Send all messages and wait for every acknowledgement.

    Args:
        messages: in order of `time_us`.
        speed: seconds of the stream in a second of `clock`; None: as fast as possible.
        clock, pause: what paces the stream.

    Raises:
        StationError: the broker cannot be reached, refuses, or stops acknowledging.
    """
    with Publisher(link, window, patience_s) as publisher:
        begun = clock()
        first_us: int | None = None
        for message in messages:
            if speed is not None:
                first_us = message.time_us if first_us is None else first_us
                wait = (message.time_us - first_us) * 1e-6 / speed - (clock() - begun)
                if wait > 0:
                    pause(wait)
            publisher.send(message)
        return publisher.wait_acknowledged()
