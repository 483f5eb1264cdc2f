"""
A canary through the broker: does it keep messages for a consumer that is away?

A broker with packaged settings confirms 50,000 messages to the sender and delivers 1,000; its
configuration cannot be asked for, so it is tried.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from pipeline.ingest.session import (
    connect_soon,
    new_client,
    refused_connection,
    refused_subscription,
    subscribe,
)
from pipeline.site.models import Broker

MESSAGES = 3000
"""Three times what a packaged Mosquitto keeps for one consumer."""
_SESSION_S = 300
_IN_FLIGHT = 200
_CLEANING_S = 5.0


@dataclass(frozen=True)
class Finding:
    """One thing that the canary found: `name` is fixed, `text` says what to do about it."""

    name: str
    is_good: bool
    text: str


def probe_broker(
    broker: Broker,
    environ: Mapping[str, str],
    *,
    messages: int = MESSAGES,
    timeout_s: float = 60.0,
    quiet_s: float = 3.0,
) -> list[Finding]:
    """
    Try whether the broker takes us and keeps messages for an absent consumer.

    Publishes on `{prefix}/_canary/{random}` for a client of its own, whose session is removed at
    the end; a running station sees nothing of it. Takes some seconds.

    Args:
        broker: the site's broker section.
        environ: where the password is looked up.
        messages: how many are published while the consumer is away.
        timeout_s: for each of the steps.
        quiet_s: when nothing comes for so long, nothing more will.

    Returns:
        Findings `connect`, `subscribe`, `publish`, `keeps`; those behind the first bad one are
        left out.

    Raises:
        StationError: the password is missing, or a TLS file cannot be used.
    """
    token = secrets.token_hex(6)
    topic = f"{broker.prefix}/_canary/{token}"
    consumer = f"spanwarden-canary-{token}"
    away = _Visit(broker, consumer, environ)
    findings = [away.connect(timeout_s)]
    if not findings[0].is_good:
        away.leave()
        return findings
    try:
        findings.append(away.subscribe(topic, timeout_s))
        away.leave()
        if findings[-1].is_good:
            findings.append(
                _publish(broker, f"{consumer}-sender", environ, topic, messages, timeout_s)
            )
        if findings[-1].is_good:
            findings.append(_collect(broker, consumer, environ, messages, timeout_s, quiet_s))
        return findings
    finally:
        _remove_session(broker, consumer, environ)


class _Visit:
    """One connection of a throw-away client, from connect to leave."""

    def __init__(
        self, broker: Broker, client_id: str, environ: Mapping[str, str], *, is_clean: bool = False
    ) -> None:
        self.arrived: set[bytes] = set()
        self.confirmed = self.refused = 0
        self.changed = threading.Condition()
        self.client = new_client(broker, client_id, environ, manual_ack=False, is_clean=is_clean)
        self._broker, self._is_clean = broker, is_clean
        self._answer: ReasonCode | None = None
        self._granted: list[ReasonCode] | None = None
        self.client.on_connect = self._connected
        self.client.on_subscribe = self._subscribed
        self.client.on_publish = self._published
        self.client.on_message = self._message

    def connect(self, timeout_s: float) -> Finding:
        kept_s = 0 if self._is_clean else _SESSION_S
        connect_soon(self.client, self._broker, kept_s, is_clean=self._is_clean)
        where = f"{self._broker.host}:{self._broker.port}"
        with self.changed:
            self.changed.wait_for(lambda: self._answer is not None, timeout_s)
            if self._answer is None:
                return Finding(
                    "connect",
                    False,
                    f"broker {where} does not answer within {timeout_s:g} s. See that it runs, "
                    "and that host, port, tls and protocol in site.toml are right.",
                )
            if self._answer.is_failure:
                return Finding("connect", False, refused_connection(self._broker, self._answer))
        return Finding("connect", True, f"broker {where} takes the connection")

    def subscribe(self, topic: str, timeout_s: float) -> Finding:
        subscribe(self.client, self._broker, topic)
        with self.changed:
            self.changed.wait_for(lambda: self._granted is not None, timeout_s)
            codes = self._granted or []
        if [code.value for code in codes] != [1]:
            return Finding("subscribe", False, refused_subscription(topic, codes))
        return Finding("subscribe", True, "broker grants QoS 1")

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _connected(
        self, client: mqtt.Client, userdata: Any, flags: Any, code: ReasonCode, properties: Any
    ) -> None:
        with self.changed:
            self._answer = code
            self.changed.notify_all()

    def _subscribed(
        self,
        client: mqtt.Client,
        userdata: Any,
        mid: int,
        codes: list[ReasonCode],
        properties: Any,
    ) -> None:
        with self.changed:
            self._granted = codes
            self.changed.notify_all()

    def _published(
        self, client: mqtt.Client, userdata: Any, mid: int, code: ReasonCode, properties: Any
    ) -> None:
        with self.changed:
            self.refused += code.is_failure
            self.confirmed += not code.is_failure
            self.changed.notify_all()

    def _message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            self.arrived.add(bytes(message.payload))
            self.changed.notify_all()


def _publish(
    broker: Broker,
    client_id: str,
    environ: Mapping[str, str],
    topic: str,
    messages: int,
    timeout_s: float,
) -> Finding:
    visit = _Visit(broker, client_id, environ, is_clean=True)
    visit.client.max_inflight_messages_set(_IN_FLIGHT)
    try:
        connected = visit.connect(timeout_s)
        if not connected.is_good:
            return connected
        for number in range(messages):
            visit.client.publish(topic, b"%d" % number, qos=1)
        with visit.changed:
            visit.changed.wait_for(lambda: visit.confirmed + visit.refused >= messages, timeout_s)
            confirmed, refused = visit.confirmed, visit.refused
    finally:
        visit.leave()
    if confirmed < messages:
        return Finding(
            "publish",
            False,
            f"broker confirmed {confirmed} and refused {refused} of {messages} messages on "
            f'"{topic}" within {timeout_s:g} s. Allow the station\'s user to publish below '
            f'"{broker.prefix}/", and see the broker\'s log.',
        )
    return Finding("publish", True, f"broker confirmed {confirmed} of {messages} messages")


def _collect(
    broker: Broker,
    client_id: str,
    environ: Mapping[str, str],
    messages: int,
    timeout_s: float,
    quiet_s: float,
) -> Finding:
    visit = _Visit(broker, client_id, environ)
    try:
        connected = visit.connect(timeout_s)
        if not connected.is_good:
            return connected
        with visit.changed:
            before = -1
            while before < len(visit.arrived) < messages:
                before = len(visit.arrived)
                visit.changed.wait_for(
                    lambda: len(visit.arrived) > before or len(visit.arrived) >= messages,  # noqa: B023
                    quiet_s,
                )
            kept = len(visit.arrived)
    finally:
        visit.leave()
    if kept < messages:
        return Finding(
            "keeps",
            False,
            f"broker confirmed {messages} messages while their consumer was away, and delivered "
            f"{kept} when it came back: readings are lost whenever the station is down. With "
            "Mosquitto use ops/mosquitto.conf (max_queued_messages); the embedded broker cannot "
            "keep them.",
        )
    return Finding("keeps", True, f"broker kept all {messages} messages for an absent consumer")


def _remove_session(broker: Broker, client_id: str, environ: Mapping[str, str]) -> None:
    """A clean connection ends the session that was there, and leaves none."""
    visit = _Visit(broker, client_id, environ, is_clean=True)
    visit.connect(_CLEANING_S)
    visit.leave()
