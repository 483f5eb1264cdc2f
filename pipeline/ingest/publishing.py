"""
Publishing with a bounded wait for the broker's answer and a look at what it says.

paho's own wait can hang over a reconnect and does not tell a refusal from a success.
"""

from __future__ import annotations

import threading

import paho.mqtt.client as mqtt
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode


class Publishing:
    """The messages that wait for their PUBACK; `answered` must be called from `on_publish`."""

    def __init__(self, client: mqtt.Client) -> None:
        self._client = client
        self._changed = threading.Condition()
        self._answers: dict[int, bool] = {}
        self._given_up: set[int] = set()

    def send(
        self,
        topic: str,
        payload: bytes,
        retain: bool,
        properties: Properties | None,
        timeout_s: float,
    ) -> bool:
        """Publish at QoS 1; whether the broker took it within `timeout_s`."""
        # No lock of ours is held here: the network thread takes it in `answered`.
        sent = self._client.publish(topic, payload, 1, retain, properties)
        if sent.rc != mqtt.MQTT_ERR_SUCCESS:
            return False
        with self._changed:
            if self._changed.wait_for(lambda: sent.mid in self._answers, timeout_s):
                return self._answers.pop(sent.mid)
            self._given_up.add(sent.mid)
            return False

    def answered(self, packet: int, code: ReasonCode) -> None:
        """The broker answered: keep it for whoever waits."""
        with self._changed:
            if packet in self._given_up:
                self._given_up.discard(packet)
                return
            self._answers[packet] = not code.is_failure
            self._changed.notify_all()
