"""
A station as a real process, and a publisher that knows what was acknowledged.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from pipeline.blocks import Readings, concat_readings
from pipeline.site.models import Site
from pipeline.site.read import read_site
from pipeline.station.layout import layout_of
from pipeline.store.archive import Archive
from pipeline.store.ledger import JournalEntry, Ledger, OutboxItem, open_reader
from tests.brokers import wait_until

HOST = "127.0.0.1"


def use_broker(folder: Path, port: int, protocol: str = "5") -> Site:
    """Point a site's configuration to a broker on loopback."""
    text = (folder / "site.toml").read_text()
    table = f'[broker]\nhost = "{HOST}"\nport = {port}\nprotocol = "{protocol}"\n'
    table += 'prefix = "spanwarden"\n\n'
    changed, count = re.subn(r"\[broker\]\n.*?\n\n", table, text, count=1, flags=re.DOTALL)
    assert count == 1
    (folder / "site.toml").write_text(changed)
    return read_site(folder)


@dataclass
class StationProcess:
    """`spanwarden run` of one structure; a worker alone, or with its supervisor."""

    site: Site
    structure: str
    supervised: bool = False
    environ: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; the log goes to a file beside the site."""
        which = "--structure" if self.supervised else "--worker"
        command = [
            sys.executable,
            "-m",
            "pipeline",
            "run",
            "--site",
            self.site.folder,
            which,
            self.structure,
        ]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stderr=log, env={**os.environ, **self.environ})

    @property
    def log(self) -> Path:
        """Where the process logs to."""
        return Path(self.site.folder).parent / f"{self.structure}.log"

    def wait_connected(self) -> None:
        """Until a worker has said in its log that it started since the last start."""
        wait_until(
            lambda: self.is_alive() and self.log.read_text().count("station started") > 0,
            f"station starts, see {self.log}",
        )

    def is_alive(self) -> bool:
        """Whether the process runs; fails the test with its log when it ended by itself."""
        assert self.process is not None
        code = self.process.poll()
        assert code is None, f"station ended with {code}:\n{self.log.read_text()[-3000:]}"
        return True

    def kill(self) -> None:
        """SIGKILL."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self, timeout_s: float = 8.0) -> int:
        """SIGTERM; the exit code."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout_s)

    def journal(self) -> list[JournalEntry]:
        """All journal entries so far; none before the first start."""
        path = layout_of(self.site, self.structure).ledger
        if not path.exists():
            return []
        with closing(open_reader(path)) as ledger:
            return ledger.journal(limit=1_000_000)

    def raised(self, alarm: str) -> list[JournalEntry]:
        """Journal entries with which an alarm was raised."""
        return [
            entry
            for entry in self.journal()
            if entry.kind == "transition"
            and entry.alarm == alarm
            and entry.facts["before"] == "normal"
        ]

    def outbox(self) -> list[OutboxItem]:
        """All notices with their outcome."""
        with closing(open_reader(layout_of(self.site, self.structure).ledger)) as ledger:
            return ledger.outbox()

    def quarantined(self) -> int:
        """Messages refused so far."""
        with closing(open_reader(layout_of(self.site, self.structure).ledger)) as ledger:
            return sum(total.messages for total in ledger.quarantine_totals().values())

    def archive(self) -> Archive:
        """The structure's archive."""
        site = self.site
        return Archive(layout_of(site, self.structure).data, self.structure, site.storage.window_h)

    def raw(self) -> Readings:
        """Every reading of the raw archive."""
        archive = self.archive()
        return concat_readings(archive.read_raw(window) for window in archive.windows())

    def recall(self, key: str) -> str | None:
        """A fact that the worker remembers."""
        with closing(open_reader(layout_of(self.site, self.structure).ledger)) as ledger:
            return ledger.recall(key)


@contextmanager
def running(station: StationProcess) -> Iterator[StationProcess]:
    """The station started and, at the end, stopped or killed."""
    station.start()
    try:
        station.wait_connected()
        yield station
    finally:
        if station.process is not None and station.process.poll() is None:
            station.kill()


class Publisher:
    """Publishes at QoS 1 and counts what the broker acknowledged."""

    def __init__(self, port: int, protocol: str = "5") -> None:
        version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=version)
        self._client.max_inflight_messages_set(500)
        self._client.connect(HOST, port)
        self._client.loop_start()
        wait_until(self._client.is_connected, "publisher is connected")

    def send(self, messages: Sequence[tuple[str, bytes]]) -> None:
        """Publish topic and payload of each, and wait until all are acknowledged."""
        sent = [self._client.publish(topic, payload, qos=1) for topic, payload in messages]
        wait_until(
            lambda: all(one.is_published() for one in sent), "all acknowledged", timeout_s=60
        )

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def ledger_of(site: Site, structure: str) -> Ledger:
    """The ledger opened for writing; only while no worker runs."""
    return Ledger.open(layout_of(site, structure).ledger)
