"""
A Mosquitto of the benchmark's own, run as ops/mosquitto.conf says, and the sessions on it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from surroundings import (
    HOST,
    PREFIX,
    ROOT,
    STRUCTURE,
    BenchmarkError,
    free_port,
    is_listening,
    wait,
)

READINGS_TOPIC = f"{PREFIX}/{STRUCTURE}/+/readings"
STATION_ID, BARE_ID = f"spanwarden-{STRUCTURE}", "benchmark-bare"
SESSION_S = 3600
# A save in the midst of one drain and not of another would be the loudest thing in the ratios.
_OWN = ("listener", "persistence_location", "log_dest", "allow_anonymous", "autosave_interval")


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """The port of a broker that runs until the block ends; its files lie in `folder`."""
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    port = free_port()
    lines = [f"listener {port} {HOST}", "allow_anonymous true", "log_dest stderr"]
    lines += [f"persistence_location {folder}/", "autosave_interval 0"]
    if os.getuid() == 0:
        lines.append("user root")  # else it changes to a user who cannot write to `folder`
    tuned = (ROOT / "ops" / "mosquitto.conf").read_text().splitlines()
    lines += [line for line in tuned if not re.match(rf"\s*({'|'.join(_OWN)})\b", line)]
    conf = folder / "mosquitto.conf"
    conf.write_text("\n".join(lines) + "\n")
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(conf)], stdout=log, stderr=log)
    try:
        wait(lambda: is_listening(port) or process.poll() is not None, "Mosquitto listens", 10)
        if process.poll() is not None:
            raise BenchmarkError(f"Mosquitto ended: {(folder / 'mosquitto.log').read_text()}")
        yield port
    finally:
        process.kill()
        process.wait()


def leave_session(client_id: str, port: int) -> None:
    """
    A new persistent session that subscribes at QoS 1 and goes away; an old one is forgotten.

    Raises:
        BenchmarkError: the broker did not grant it within 10 s.
    """
    granted = threading.Event()

    def connected(client: mqtt.Client, *_: Any) -> None:
        client.subscribe(READINGS_TOPIC, qos=1)

    def subscribed(client: mqtt.Client, userdata: Any, mid: int, codes: Any, _: Any) -> None:
        if [code.value for code in codes] == [1]:
            granted.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=mqtt.MQTTv5)
    client.on_connect, client.on_subscribe = connected, subscribed
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
    properties.SessionExpiryInterval = SESSION_S
    client.connect(HOST, port, clean_start=True, properties=properties)
    client.loop_start()
    is_granted = granted.wait(10)
    client.disconnect()
    client.loop_stop()
    if not is_granted:
        raise BenchmarkError(f"no subscription for {client_id} within 10 s")
