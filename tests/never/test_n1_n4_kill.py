"""
N1 and N4: the worker killed at random moments under load loses no reading and no alarm.

Real Mosquitto, real processes, SIGKILL. `SPANWARDEN_KILLS` sets how often (default 6), and
`SPANWARDEN_SEED` the moments; both are printed.
"""

import os
import random
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.alarms.transition import Transition
from pipeline.station.machine import compile_setup
from tests.brokers import OPS_CONF, mosquitto, wait_until
from tests.replaying import copied_site
from tests.stations import Publisher, StationProcess, use_broker
from tests.streams import Row, messages, readings_of, recorded, rows_of

pytestmark = [pytest.mark.slow, pytest.mark.broker]

STRUCTURE = "quill-deck"
ALARM = "deck-strain.qd-g1-s2-bot"
KILLS = int(os.environ.get("SPANWARDEN_KILLS", "6"))
SEED = int(os.environ.get("SPANWARDEN_SEED", random.randrange(10**6)))
CHUNK = 25


class Load:
    """Publishes messages at a steady pace in a thread of its own, to the end."""

    def __init__(self, port: int, waiting: list[tuple[str, bytes]], seconds: float) -> None:
        self._publisher = Publisher(port)
        self._waiting = waiting
        self._pause = threading.Event()
        self._between = seconds * CHUNK / len(waiting)
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        for first in range(0, len(self._waiting), CHUNK):
            self._publisher.send(self._waiting[first : first + CHUNK])
            self._pause.wait(self._between)

    def finish(self) -> None:
        """Publish what is left at once and wait until all is acknowledged."""
        self._between = 0.0
        self._pause.set()
        self._thread.join(120)
        self._publisher.close()


def load_of(rows: list[Row]) -> list[Row]:
    """Rows in the order of time, as nodes would send them."""
    return sorted(rows, key=lambda row: (row.time_us, row.channel))


def test_kill_9_loses_nothing_and_tells_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Acknowledged readings are in raw once, the alarm in the journal once and told."""
    with capsys.disabled():
        print(f"\nkill test: {KILLS} kills, seed {SEED}")
    chance = random.Random(SEED)
    copied_site(tmp_path, seal_every_min=0.02)
    with mosquitto(tmp_path / "broker", conf=OPS_CONF) as broker:
        site = use_broker(tmp_path / "quillmere", broker.port)
        station = StationProcess(site, STRUCTURE)
        setup = compile_setup(site, next(s for s in site.structures if s.id == STRUCTURE))
        rows = load_of(rows_of(readings_of(recorded("load-test"), setup)))
        station.start()
        station.wait_connected()
        load = Load(broker.port, list(messages(rows, 3, setup)), seconds=2.2 * KILLS)
        for _ in range(KILLS):
            time.sleep(chance.uniform(0.05, 2.5))  # the moment of the kill is what is tested
            station.kill()
            station.start()
        load.finish()
        wait_until(lambda: len(station.raw()) >= len(rows), "all is sealed", timeout_s=90)
        assert station.stop() == 0
        check(station, rows)


def check(station: StationProcess, rows: list[Row]) -> None:
    """What must hold after the last worker has ended."""
    raw = station.raw()
    codes, names = raw.channel_codes()
    kept = sorted(
        zip(
            raw.column("time").tolist(),
            np.asarray(names, dtype=object)[codes].tolist(),
            raw.column("value").tolist(),
            strict=True,
        )
    )
    assert kept == sorted((row.time_us, row.channel, row.value) for row in rows)
    assert station.quarantined() == 0
    told = [Transition.from_facts(dict(e.facts)) for e in station.raised(ALARM)]
    assert [t.event for t in told] == ["occurred"]
    assert not told[0].retrospective
    notices = [item for item in station.outbox() if item.notice.alarm == ALARM]
    assert any(i.state == "sent" and i.notice.delivery == "log" for i in notices)
