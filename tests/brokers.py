"""
Brokers for tests: real Mosquitto processes and the embedded broker, all on loopback.

`with mosquitto(folder) as broker:` gives a plain one; `conf=OPS_CONF` the tuned one.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.certificates import Authority

OPS_CONF = Path(__file__).parents[1] / "ops" / "mosquitto.conf"
HOST = "127.0.0.1"
PROGRAM = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def wait_until(
    condition: Callable[[], object], what: str, *, timeout_s: float = 20.0, every_s: float = 0.01
) -> None:
    """Return as soon as `condition()` is true; after `timeout_s` fail, saying `what` was missed."""
    pause = threading.Event()
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {timeout_s} s: {what}")
        pause.wait(every_s)


def free_port() -> int:
    """A TCP port on loopback that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def is_listening(port: int) -> bool:
    """Whether somebody accepts a connection on the loopback port."""
    with socket.socket() as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((HOST, port)) == 0


@dataclass
class MosquittoProcess:
    """A Mosquitto that can be killed and started again on the same port with the same files."""

    folder: Path
    port: int
    conf: Path
    host: str = HOST
    _process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    def start(self) -> None:
        """Start the process and wait until it accepts connections."""
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [PROGRAM, "-c", str(self.conf)], stdout=log, stderr=subprocess.STDOUT
            )
        process = self._process
        wait_until(
            lambda: is_listening(self.port) or process.poll() is not None,
            "mosquitto listens or ends",
        )
        if process.poll() is not None:
            raise AssertionError(f"mosquitto ended at once:\n{self.log()}")

    def kill(self) -> None:
        """SIGKILL: nothing is saved on the way out."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """SIGTERM: a clean end, which saves the persistence file."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def log(self) -> str:
        """What the broker has written so far."""
        return (self.folder / "mosquitto.log").read_text(errors="replace")


@contextmanager
def mosquitto(
    folder: Path,
    *,
    conf: Path | None = None,
    port: int | None = None,
    password: tuple[str, str] | None = None,
    tls: Authority | None = None,
    extra: Sequence[str] = (),
) -> Iterator[MosquittoProcess]:
    """
    A running Mosquitto; its files (configuration, log, persistence) are in `folder`.

    Args:
        folder: made when missing.
        conf: configuration to run as it is, but for the listener and the persistence folder;
            None: nothing but a listener, as the program is without configuration.
        port: None: a free one.
        password: user and password that are asked for; None: anybody may connect.
        tls: authority whose server certificate the listener shows; None: plain TCP.
        extra: further configuration lines.
    """
    folder.mkdir(parents=True, exist_ok=True)
    chosen = free_port() if port is None else port
    lines = [f"listener {chosen} {HOST}", *_security(folder, password, tls), *extra]
    if os.getuid() == 0:
        lines.append("user root")  # else it changes to a user who cannot write to `folder`
    if conf is not None:
        lines += _without(
            conf.read_text(encoding="utf-8"),
            "listener",
            "persistence_location",
            "log_dest",
            "allow_anonymous",
        )
        lines.append(f"persistence_location {folder}/")
    target = folder / "mosquitto.conf"
    target.write_text("\n".join(lines) + "\n", encoding="utf-8")
    broker = MosquittoProcess(folder, chosen, target)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


def _security(
    folder: Path, password: tuple[str, str] | None, tls: Authority | None
) -> Iterator[str]:
    if tls is not None:
        yield f"cafile {tls.ca_file}"
        yield f"certfile {tls.server_certificate}"
        yield f"keyfile {tls.server_key}"
    if password is None:
        yield "allow_anonymous true"
        return
    users = folder / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(users), *password], check=True)
    yield "allow_anonymous false"
    yield f"password_file {users}"


def _without(text: str, *keys: str) -> list[str]:
    pattern = re.compile(rf"\s*({'|'.join(keys)})\b")
    return [line for line in text.splitlines() if not pattern.match(line)]


@dataclass(frozen=True)
class EmbeddedAddress:
    """Where the embedded broker listens."""

    host: str
    port: int


@contextmanager
def embedded(port: int | None = None) -> Iterator[EmbeddedAddress]:
    """The embedded broker (MQTT 3.1.1) in a thread; skips the test where it is not installed."""
    import pytest

    pytest.importorskip("amqtt")
    from pipeline.ingest.embedded import EmbeddedBroker

    chosen = free_port() if port is None else port
    with EmbeddedBroker(port=chosen):
        yield EmbeddedAddress(HOST, chosen)
