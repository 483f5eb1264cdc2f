"""
Backlogs of the simulated deck: many messages, and at the end an excursion that raises an alarm.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np
from frames import packets_of
from surroundings import PREFIX, STRUCTURE, BenchmarkError

from pipeline.simulate.encode import CONTENT_TYPE, Message, Packer, Payload, encoded, rows
from pipeline.simulate.scenario import read_scenario
from pipeline.simulate.simulator import NodeReadings, Simulator

SEED = 7
LAST_ALARM = "deck-strain.qd-g1-s1-foil"
"""Raised by the very last reading of every backlog, and by none before it."""
_NODE, _CHANNEL = "deck-n1", "n1-g1s1-b"
# A quarter bridge of factor 2.08: 5e-4 of ratio are about 960 µm/m, above the limit of 400 and
# within the gauge's range.
_OVERLOAD_RATIO = 5e-4
# The rule's on-delay is 60 s: the second reading is the one that raises the alarm.
_OVERLOAD_AT_S = (60, 121)
_HOUR_US = 3_600_000_000
_PIECE_US = 6 * _HOUR_US
_TITLES = {"json": "SenML JSON", "cbor": "SenML CBOR", "arrow": "Arrow"}


@dataclass(frozen=True)
class Backlog:
    """What waits at the broker for a station, and for a bare client."""

    payload: Payload
    batch: int
    messages: tuple[Message, ...]

    @property
    def title(self) -> str:
        """For the table."""
        return f"{self.batch:4d} a message, {_TITLES[self.payload]}"

    @property
    def readings(self) -> int:
        """Readings in all messages."""
        return sum(message.readings for message in self.messages)

    def packets(self) -> list[bytes]:
        """MQTT packets of all messages."""
        return packets_of((m.topic, m.payload, m.content_type, m.sequence) for m in self.messages)


def simulated(readings: int, interval_s: float) -> Simulator:
    """A simulator whose span, ending an hour ago, holds at least so many readings."""
    scenario = read_scenario("quillmere")
    channels = len(scenario.structures[STRUCTURE].channel)
    # A gauge that is exchanged leaves some hours without its readings.
    span_us = round((readings / channels + 2) * interval_s * 1e6 * 1.02) + _HOUR_US
    end_us = time.time_ns() // 1000 - _HOUR_US
    return Simulator(
        scenario, STRUCTURE, end_us - span_us, end_us, seed=SEED, interval_s=interval_s
    )


def make_backlog(payload: Payload, batch: int, messages: int, interval_s: float) -> Backlog:
    """
    So many messages of `batch` readings, then the excursion.

    Args:
        payload: of all messages.
        batch: readings a message.
        messages: without those of the excursion.
        interval_s: between readings of a channel.

    Raises:
        BenchmarkError: the simulated span was too short; a fault of the benchmark.
    """
    nodes = 3  # each may keep a message that is not full
    simulator = simulated((messages + nodes) * batch, interval_s)
    packer = Packer(PREFIX, STRUCTURE, payload, batch)
    made: list[Message] = []
    readings: dict[str, NodeReadings] = {}
    for first in range(simulator.start_us, simulator.end_us, _PIECE_US):
        readings = simulator.readings(first, min(first + _PIECE_US, simulator.end_us))
        made += packer.add(readings)
        if len(made) >= messages:
            break
    if len(made) < messages:
        raise BenchmarkError(f"only {len(made)} of {messages} messages were simulated")
    kept = made[:messages]
    return Backlog(payload, batch, (*kept, *_overload(kept, readings[_NODE], payload, batch)))


def _overload(
    messages: list[Message], node: NodeReadings, payload: Payload, batch: int
) -> list[Message]:
    """Two readings of one gauge beyond its limit, after everything else; alone if batch is 1."""
    topic = f"{PREFIX}/{STRUCTURE}/{_NODE}/readings"
    newest_us = max(message.time_us for message in messages)
    code = next(n for n, channel in enumerate(node.channels) if channel.id == _CHANNEL)
    value = node.value[node.channel == code][-1] + _OVERLOAD_RATIO
    at = newest_us + np.array(_OVERLOAD_AT_S, np.int64) * 1_000_000
    both = replace(
        node, time_us=at, true_us=at, channel=np.full(2, code), value=np.full(2, float(value))
    )
    number = 1 + max(message.sequence for message in messages if message.topic == topic)
    return [
        Message(
            topic,
            CONTENT_TYPE[payload],
            encoded(piece, payload, number + n),
            number + n,
            len(piece),
            int(piece.true_us[-1]),
        )
        for n, piece in enumerate([both] if batch > 1 else [rows(both, 0, 1), rows(both, 1, 2)])
    ]
