"""
Makes `sample-streams/`: small recorded streams with their truth and the alarms they must raise.

Run `python -m pipeline.simulate.samples [FOLDER]` from the checkout; equal seeds give equal bytes.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.simulate.encode import Message, Packer, Payload
from pipeline.simulate.events import Event, Happening
from pipeline.simulate.faults import Fault
from pipeline.simulate.record import Arrival, write_stream
from pipeline.simulate.scenario import microseconds, read_scenario
from pipeline.simulate.simulator import NodeReadings, Simulator
from pipeline.simulate.truth import iso_time, write_truth
from pipeline.simulate.weather import HeatWave

STRUCTURE = "quill-deck"
SECOND, MINUTE, HOUR = 1_000_000, 60_000_000, 3_600_000_000
ALL_AT_ONCE = 1_000_000
"""Readings a message at most: a node sends what a piece of time holds in one."""
LATENCY_US = {"deck-n3": 300_000, "deck-n1": 600_000, "deck-n2": 900_000}
"""The mast comes first, so that gauges find the climate of their own minute."""
BACKLOG_STEP_US = 50_000
SILENT_AFTER_US = 1200 * SECOND
OFFLINE_NODE = "deck-n2"
OFFLINE_FROM, OFFLINE_TO = 2 * HOUR, 8 * HOUR


@dataclass(frozen=True)
class Alarm:
    """An alarm that the stream must raise, and between which times it must occur."""

    alarm: str
    after_us: int
    before_us: int


@dataclass(frozen=True)
class Sample:
    """A recorded stream with what is true in it."""

    stream: tuple[Arrival, ...]
    simulator: Simulator
    alarms: tuple[Alarm, ...]
    truth_every_us: int


def quiet_day() -> Sample:
    """A day with nothing but weather and traffic; some messages come twice."""
    simulator = _simulator("2026-06-10T00:00:00Z", 24, seed=61)
    stream = list(_recorded(simulator, "json", 5 * MINUTE))
    # QoS 1 may deliver again: the same bytes under the same number, some seconds later.
    for again in (40, 41, 400):
        twice = stream[again]
        stream.append(replace(twice, received_us=twice.received_us + 7 * SECOND))
    return Sample(_in_order(stream), simulator, (), 30 * MINUTE)


def load_test() -> Sample:
    """A lorry stands in both spans; later a crane far above the posted limit stands in span 2."""
    begin = _at("2026-06-17T09:00:00Z")
    test = Event("load_test", begin + 20 * MINUTE, begin + 40 * MINUTE)
    crane = Event("overload", begin + 60 * MINUTE, begin + 66 * MINUTE)
    simulator = _simulator("2026-06-17T09:00:00Z", 1.5, 62, [test, crane], interval_s=10.0)
    stream = _recorded(simulator, "cbor", MINUTE)
    alarm = Alarm(
        "deck-strain.qd-g1-s2-bot", crane.start_us - 30 * SECOND, crane.start_us + 5 * MINUTE
    )
    return Sample(_in_order(stream), simulator, (alarm,), MINUTE)


def heat_wave() -> Sample:
    """38 °C by day, dew on the steel at dawn: the gauges feel it, the deck hardly does."""
    begin = _at("2026-07-30T20:00:00Z")
    wave = HeatWave(begin - 48 * HOUR, begin + 48 * HOUR, air_c=7.2, dew_c=6.8)
    simulator = _simulator("2026-07-30T20:00:00Z", 20, seed=63, events=[wave])
    return Sample(_in_order(_recorded(simulator, "arrow", 10 * MINUTE)), simulator, (), 30 * MINUTE)


def failing_gauge() -> Sample:
    """One gauge's circuit opens, another's channel falls silent."""
    begin = _at("2026-09-08T04:00:00Z")
    end = begin + 8 * HOUR
    broken = Fault("open", "n1-g1web-b", begin + 2 * HOUR + 10 * MINUTE, end)
    silent = Fault("silence", "n2-g2s2-ohm", begin + 4 * HOUR, end)
    simulator = _simulator("2026-09-08T04:00:00Z", 8, seed=64, faults=[broken, silent])
    alarms = (
        _after("deck-gauge.qd-g1-s1-web", broken.start_us, 0),
        _after("deck-silent.qd-g2-s2-bot", silent.start_us - MINUTE, SILENT_AFTER_US),
    )
    return Sample(_in_order(_recorded(simulator, "json", 5 * MINUTE)), simulator, alarms, HOUR // 2)


def offline_node() -> Sample:
    """A node loses its link for six hours and then sends what it kept, in order, all at once."""
    begin = _at("2026-10-03T00:00:00Z")
    simulator = _simulator("2026-10-03T00:00:00Z", 11, seed=65)
    lost, back = begin + OFFLINE_FROM, begin + OFFLINE_TO
    stream = []
    for arrival in _recorded(simulator, "cbor", 5 * MINUTE):
        is_lost = arrival.message.topic.split("/")[-2] == OFFLINE_NODE
        if is_lost and lost <= arrival.received_us < back:
            waited = (arrival.received_us - lost) // (5 * MINUTE)
            arrival = replace(arrival, received_us=back + waited * BACKLOG_STEP_US)
        stream.append(arrival)
    points = _points_of(simulator, OFFLINE_NODE)
    last = lost - 5 * MINUTE
    alarms = tuple(_after(f"deck-silent.{point}", last, SILENT_AFTER_US) for point in points)
    return Sample(_in_order(stream), simulator, alarms, HOUR // 2)


SAMPLES: dict[str, Callable[[], Sample]] = {
    "quiet-day": quiet_day,
    "load-test": load_test,
    "heat-wave": heat_wave,
    "failing-gauge": failing_gauge,
    "offline-node": offline_node,
}


def write_sample(sample: Sample, folder: Path) -> None:
    """Write stream.jsonl.gz, expected.json and truth.csv.gz into `folder`, which may exist."""
    folder.mkdir(parents=True, exist_ok=True)
    write_stream(sample.stream, folder / "stream.jsonl.gz")
    simulator = sample.simulator
    times = np.arange(simulator.start_us, simulator.end_us, sample.truth_every_us)
    write_truth(simulator.truth(times), folder / "truth.csv.gz")
    expected = {
        "structure": STRUCTURE,
        "alarms": [
            {"alarm": a.alarm, "after": iso_time(a.after_us), "before": iso_time(a.before_us)}
            for a in sample.alarms
        ],
        "no_other_alarms": True,
        "readings": distinct_readings(simulator),
    }
    text = json.dumps(expected, indent=2, ensure_ascii=False) + "\n"
    (folder / "expected.json").write_text(text, encoding="utf-8")


def distinct_readings(simulator: Simulator) -> int:
    """How many readings the nodes made: channel and time occur once each."""
    nodes = simulator.readings(simulator.start_us, simulator.end_us)
    return sum(len(readings) for readings in nodes.values())


def main(argv: Sequence[str]) -> int:
    """Write every sample below the folder named, by default `sample-streams`."""
    root = Path(argv[0] if argv else "sample-streams")
    for name, make in SAMPLES.items():
        sample = make()
        write_sample(sample, root / name)
        size = (root / name / "stream.jsonl.gz").stat().st_size
        print(f"{name}: {len(sample.stream)} messages, {size / 1000:.0f} kB")
    return 0


def _points_of(simulator: Simulator, node: str) -> list[str]:
    structure = simulator.structure
    sent = {channel.id for channel in structure.channel if channel.node == node}
    points = [gauge.point for gauge in structure.gauge if gauge.channel in sent]
    return points + [sensor.point for sensor in structure.sensor if sensor.channel in sent]


def _at(text: str) -> int:
    return microseconds(datetime.fromisoformat(text))


def _after(alarm: str, cause_us: int, delay_us: int) -> Alarm:
    """An alarm that occurs a known delay after its cause, to a quarter of an hour."""
    return Alarm(alarm, cause_us + delay_us - MINUTE, cause_us + delay_us + 15 * MINUTE)


def _simulator(
    start: str,
    hours: float,
    seed: int,
    events: Sequence[Happening] = (),
    faults: Sequence[Fault] = (),
    interval_s: float = 60.0,
) -> Simulator:
    begin = _at(start)
    end = begin + round(hours * HOUR)
    scenario = read_scenario("quillmere")
    return Simulator(scenario, STRUCTURE, begin, end, seed, events, faults, interval_s)


def _recorded(simulator: Simulator, payload: Payload, piece_us: int) -> Iterator[Arrival]:
    """One message a node and piece of time, in order of arrival."""
    packer = Packer(simulator.scenario.prefix, STRUCTURE, payload, ALL_AT_ONCE)
    for first in range(simulator.start_us, simulator.end_us, piece_us):
        last = min(first + piece_us, simulator.end_us)
        nodes: dict[str, NodeReadings] = simulator.readings(first, last)
        messages: list[Message] = [*packer.add(nodes), *packer.flush()]
        made = [Arrival(m.time_us + LATENCY_US[m.topic.split("/")[-2]], m) for m in messages]
        yield from sorted(made, key=lambda arrival: arrival.received_us)


def _in_order(stream: Sequence[Arrival] | Iterator[Arrival]) -> tuple[Arrival, ...]:
    return tuple(sorted(stream, key=lambda arrival: arrival.received_us))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
