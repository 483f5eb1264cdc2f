"""
From an MQTT message to a sealed archive and an alarm that was told and acknowledged.

Real processes, over real Mosquitto and over the embedded broker.
"""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pyarrow.parquet as pq
import pytest

from pipeline.station.machine import compile_setup
from tests.brokers import OPS_CONF, embedded, mosquitto, wait_until
from tests.notify.post_office import PostOffice, serving
from tests.replaying import copied_site
from tests.stations import HOST, Publisher, StationProcess, running, use_broker
from tests.streams import PREFIX, messages, readings_of, recorded, rows_of

pytestmark = [pytest.mark.slow, pytest.mark.broker]

STRUCTURE = "quill-deck"
ALARM = "deck-strain.qd-g1-s2-bot"
MAIL = '[mail]\nhost = "127.0.0.1"\nport = {port}\nsender = "station@example.org"\n'
MAIL += 'security = "none"\ntimeout_s = 5.0\n\n[[structure]]'


@pytest.fixture(params=["mosquitto", "embedded"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[int, str]]:
    """Port and protocol of a running broker."""
    with ExitStack() as stack:
        if request.param == "mosquitto":
            running_one = mosquitto(tmp_path / "broker", conf=OPS_CONF)
            yield stack.enter_context(running_one).port, "5"
        else:
            yield stack.enter_context(embedded()).port, "3.1.1"


def command(site: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run `spanwarden` as a person would."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *arguments, "--site", site, "--structure", STRUCTURE],
        capture_output=True,
        text=True,
    )


def write_mail(folder: Path, port: int) -> None:
    """Give the site a mail server, and its engineer a mail before the log."""
    text = (folder / "site.toml").read_text()
    text = text.replace("[[structure]]", MAIL.format(port=port), 1)
    (folder / "site.toml").write_text(
        text.replace('deliveries = ["log", "mqtt"]', 'deliveries = ["mail", "log"]')
    )


def test_the_main_job(broker: tuple[int, str], tmp_path: Path) -> None:
    """Readings are sealed; the alarm is raised, mailed, acknowledged; the end is clean."""
    port, protocol = broker
    copied_site(tmp_path, seal_every_min=0.02, settle_s=1.0)
    folder = tmp_path / "quillmere"
    with serving(PostOffice()) as office:
        write_mail(folder, office.port)
        site = use_broker(folder, port, protocol)
        station = StationProcess(site, STRUCTURE, supervised=True)
        setup = compile_setup(site, next(s for s in site.structures if s.id == STRUCTURE))
        rows = rows_of(readings_of(recorded("load-test"), setup))
        with running(station):
            publisher = Publisher(port, protocol)
            wait_until(lambda: subscribed(port, protocol), "the station has subscribed")
            publisher.send(list(messages(rows, 100, setup)))
            wait_until(lambda: station.raised(ALARM), "the alarm is raised")
            wait_until(lambda: mailed(office), "the alarm is mailed")
            acted = command(
                site.folder, "alarms", "ack", ALARM, "--by", "tomas-reedwater", "--comment", "seen"
            )
            wait_until(lambda: len(station.raw()) == len(rows), "all is sealed", timeout_s=60)
            wait_until(lambda: '"final": true' in station.log.read_text(), "a window is final")
            publisher.close()
            began = time.monotonic()
            code = station.stop()
            took = time.monotonic() - began

    assert acted.returncode == 0, acted.stderr
    assert code == 0
    assert took < 5.0
    assert "acknowledged" in [str(e.facts.get("event")) for e in station.journal()]
    assert "tomas-reedwater" in [str(e.facts.get("by")) for e in station.journal()]
    read_as_any_user_would(station, len(rows))


def mailed(office: PostOffice) -> bool:
    """Whether a mail about the alarm was taken."""
    return any(ALARM in str(mail["Subject"]) for mail in office.taken)


def subscribed(port: int, protocol: str) -> bool:
    """Whether the station has published its retained status, which it does once it is connected."""
    seen: list[bytes] = []
    version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=version)  # type: ignore[attr-defined]
    client.on_message = lambda _c, _u, message: seen.append(bytes(message.payload))
    client.on_connect = lambda c, *_: c.subscribe(f"{PREFIX}/{STRUCTURE}/station", qos=1)
    client.connect(HOST, port)
    deadline = time.monotonic() + 1.0
    while not seen and time.monotonic() < deadline:
        client.loop(0.05)
    client.disconnect()
    return any(b"running" in payload or b"degraded" in payload for payload in seen)


def read_as_any_user_would(station: StationProcess, readings: int) -> None:
    """pandas opens each folder of the archive as it is; checksums hold."""
    import pandas as pd

    archive = Path(station.site.folder) / "data" / STRUCTURE / "archive"
    raw = pd.read_parquet(archive / "raw")
    results = pd.read_parquet(archive / "results")
    summary = pd.read_parquet(archive / "summary")
    assert len(raw) == readings
    assert len(results) > 0.9 * readings * 15 / 23
    assert summary["n"].sum() == len(results)
    assert np.isfinite(results["value"].dropna()).all()
    for path in archive.rglob("*.parquet"):
        pq.read_table(path, page_checksum_verification=True)


def test_what_is_wrong_with_the_station_becomes_an_alarm(tmp_path: Path) -> None:
    """N6: a full disk and a mail server that is gone are alarms, told by the ways that are left."""
    copied_site(tmp_path, minimum_free_mb=1e12)
    folder = tmp_path / "quillmere"
    write_mail(folder, 9)  # the discard port: nobody listens
    with mosquitto(tmp_path / "broker", conf=OPS_CONF) as broker:
        site = use_broker(folder, broker.port)
        with running(StationProcess(site, STRUCTURE)) as station:
            wait_until(lambda: station.raised("deck-station.disk_low"), "disk")
            wait_until(
                lambda: station.raised("deck-station.notice_undeliverable"),
                "mail",
                timeout_s=90,
            )
            wait_until(
                lambda: any(
                    i.state == "sent" and i.notice.delivery == "log" for i in station.outbox()
                ),
                "told by log",
            )

            assert station.stop() == 0


def test_a_second_worker_is_refused(tmp_path: Path) -> None:
    """Two workers on one structure would acknowledge each other's messages."""
    copied_site(tmp_path)
    with mosquitto(tmp_path / "broker", conf=OPS_CONF) as broker:
        site = use_broker(tmp_path / "quillmere", broker.port)
        with running(StationProcess(site, STRUCTURE)):
            command_line = ["run", "--site", site.folder, "--worker", STRUCTURE]
            second = subprocess.run(
                [sys.executable, "-m", "pipeline", *command_line], capture_output=True, text=True
            )

    assert second.returncode == 3
    assert "another worker runs structure quill-deck. Stop it first" in second.stderr
