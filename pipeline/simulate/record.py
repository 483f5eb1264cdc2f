"""
Streams in a file: one JSON object a line and message, in the order of arrival.

Keys: received_us, topic, content_type, sequence, and payload (text) or payload_b64 (binary).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.simulate.encode import Message
from pipeline.simulate.truth import zipped

LATENCY_US = 300_000
"""From a node's last reading to the station, where nothing else is said."""


@dataclass(frozen=True)
class Arrival:
    """A message with the time at which it came to the station."""

    received_us: int
    message: Message


def arrivals(messages: Iterable[Message], latency_us: int = LATENCY_US) -> Iterator[Arrival]:
    """Messages that arrive a moment after they were sent."""
    for message in messages:
        yield Arrival(message.time_us + latency_us, message)


def stream_text(stream: Iterable[Arrival]) -> str:
    """The lines of a stream file."""
    return "".join(_line(arrival) + "\n" for arrival in stream)


def write_stream(stream: Iterable[Arrival], path: Path) -> None:
    """Write `.jsonl`, or `.jsonl.gz` with the same bytes for the same stream."""
    text = stream_text(stream).encode()
    path.write_bytes(zipped(text) if path.suffix == ".gz" else text)


def _line(arrival: Arrival) -> str:
    message = arrival.message
    fields: dict[str, object] = {
        "received_us": arrival.received_us,
        "topic": message.topic,
        "content_type": message.content_type,
        "sequence": message.sequence,
    }
    if message.content_type.endswith("+json"):
        fields["payload"] = message.payload.decode()
    else:
        fields["payload_b64"] = base64.b64encode(message.payload).decode()
    return json.dumps(fields, separators=(",", ":"), ensure_ascii=False)
