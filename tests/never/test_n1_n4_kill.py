"""
N1 and N4: the worker killed at random moments under load loses no reading and no alarm.

Real Mosquitto, real processes, SIGKILL. `SPANWARDEN_KILLS` sets how often (default 8), and
`SPANWARDEN_SEED` the moments; both are printed.
"""

import os
import random
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from pipeline.alarms.transition import Transition
from pipeline.simulate.command import simulated_messages
from pipeline.simulate.encode import Message, Packer
from pipeline.simulate.scenario import read_scenario
from pipeline.simulate.schedule import read_event
from pipeline.simulate.simulator import Simulator
from pipeline.site.models import Site
from pipeline.store.spool import Record, RecordKind
from tests.brokers import OPS_CONF, mosquitto, wait_until
from tests.replaying import US, Replay, copied_site
from tests.stations import Publisher, StationProcess, use_broker
from tests.streams import readings_of

pytestmark = [pytest.mark.slow, pytest.mark.broker]

STRUCTURE = "quill-deck"
KILLS = int(os.environ.get("SPANWARDEN_KILLS", "8"))
SEED = int(os.environ.get("SPANWARDEN_SEED", random.randrange(10**6)))
CHUNK = 50
# Load for so long a kill: the publishing ends with the last kills, not before them.
SECONDS_A_KILL = 1.6
HOURS, EXCURSIONS = 6, 9

Reading = tuple[int, str, float]
Story = tuple[str, str, int]


class Load:
    """Publishes messages at a steady pace in a thread of its own, to the end."""

    def __init__(self, port: int, waiting: Sequence[Message], seconds: float) -> None:
        self._publisher = Publisher(port)
        self._waiting = waiting
        self._hurry = threading.Event()
        self._between = seconds * CHUNK / len(waiting)
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        for first in range(0, len(self._waiting), CHUNK):
            chunk = self._waiting[first : first + CHUNK]
            self._publisher.send([(m.topic, m.payload) for m in chunk])
            self._hurry.wait(self._between)

    def finish(self) -> None:
        """Publish what is left at once and wait until all is acknowledged."""
        self._hurry.set()
        self._thread.join(120)
        self._publisher.close()


def load() -> list[Message]:
    """Six hours of the deck that end now, one reading a message, nine overloads in them."""
    end_us = time.time_ns() // 1000 // (60 * US) * 60 * US
    start_us = end_us - HOURS * 3600 * US
    events = [read_event(f"overload@{20 + 36 * i}m+12m", start_us) for i in range(EXCURSIONS)]
    simulator = Simulator(
        read_scenario("quillmere"), STRUCTURE, start_us, end_us, seed=SEED, events=events
    )
    return list(simulated_messages(simulator, Packer("spanwarden", STRUCTURE, "json", 1)))


def undisturbed(folder: Path, sent: Sequence[Message]) -> tuple[list[Reading], list[Story]]:
    """What a station that nobody kills makes of the messages: readings, and its level alarms."""
    replay = Replay(copied_site(folder), STRUCTURE)
    now_us = time.time_ns() // 1000
    records = [Record(RecordKind.MESSAGE, now_us, m.payload, m.topic, m.content_type) for m in sent]
    replay.feed(records)
    found = stories(replay.transitions())
    rows = readings_of(records, replay.setup).table.select(["time", "channel", "value"])
    times = [round(t.timestamp() * US) for t in rows.column("time").to_pylist()]
    channels, values = rows.column("channel").to_pylist(), rows.column("value").to_pylist()
    replay.close()
    return sorted(zip(times, channels, values, strict=True)), found


def stories(transitions: Sequence[Transition]) -> list[Story]:
    """Alarm, event and time of occurrence of every transition of a level rule."""
    return sorted(
        (t.alarm, t.event, t.occurred_us) for t in transitions if t.rule.startswith("deck-strain")
    )


def kept(station: StationProcess) -> list[Reading]:
    """All rows of the raw archive."""
    raw = station.raw()
    codes, names = raw.channel_codes()
    channels = np.asarray(names, dtype=object)[codes].tolist()
    times, values = raw.column("time").tolist(), raw.column("value").tolist()
    return sorted(zip(times, channels, values, strict=True))


def test_kill_9_loses_nothing_and_tells_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Acknowledged readings are in raw once, each alarm in the journal once, and told."""
    with capsys.disabled():
        print(f"\nkill test: {KILLS} kills, seed {SEED}")
    sent = load()
    readings, alarms = undisturbed(tmp_path / "undisturbed", sent)
    assert sum(event == "occurred" for _, event, _ in alarms) >= 1
    assert len(alarms) >= 2 * EXCURSIONS
    copied_site(tmp_path, seal_every_min=0.02)
    with mosquitto(tmp_path / "broker", conf=OPS_CONF) as broker:
        site = use_broker(tmp_path / "quillmere", broker.port)
        station = killed_under_load(site, broker.port, sent)
        wait_until(lambda: len(station.raw()) >= len(readings), "all is sealed", timeout_s=90)
        assert station.stop() == 0

    assert kept(station) == readings
    assert station.quarantined() == 0
    journal = [e for e in station.journal() if e.kind == "transition"]
    assert stories([Transition.from_facts(e.facts) for e in journal]) == alarms
    told = {
        (item.notice.alarm, item.notice.facts["event"], item.notice.facts.get("occurred_us"))
        for item in station.outbox()
        if item.state == "sent" and item.notice.delivery == "log"
    }
    assert {alarm for alarm in alarms if alarm[1] != "returned"} <= told


def killed_under_load(site: Site, port: int, sent: Sequence[Message]) -> StationProcess:
    """A station that was killed `KILLS` times while everything was published."""
    chance = random.Random(SEED)
    station = StationProcess(site, STRUCTURE)
    station.start()
    station.wait_connected()
    publishing = Load(port, sent, SECONDS_A_KILL * KILLS)
    for _ in range(KILLS):
        time.sleep(chance.uniform(0.1, 3.0))  # the moment of the kill is what is tested
        station.kill()
        station.start()
    publishing.finish()
    return station
