"""
A client that does nothing with what it gets: the ceiling under which the station works.

  python ops/benchmark/bare.py PORT CLIENT_ID MESSAGES
Prints seconds from the connection to the last message, processor seconds in it, and peak memory
in kB.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from surroundings import HOST, memory_kb

RECEIVE_MAXIMUM = 1000
"""As the station asks for."""


def main(port: int, client_id: str, messages: int) -> None:
    """Take `messages` messages of the session, each acknowledged by the library itself."""
    left, begun, before, seconds, spent = messages, 0.0, 0.0, 0.0, 0.0

    def connected(*_: Any) -> None:
        nonlocal begun, before
        begun, before = time.perf_counter(), time.process_time()

    def taken(client: mqtt.Client, *_: Any) -> None:
        nonlocal left, seconds, spent
        left -= 1
        if not left:
            seconds = time.perf_counter() - begun
            spent = time.process_time() - before
            client.disconnect()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=mqtt.MQTTv5)
    client.on_connect, client.on_message = connected, taken
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect(HOST, port, clean_start=False, properties=properties)
    client.loop_forever()
    print(seconds, spent, memory_kb("self", "VmHWM"))


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
