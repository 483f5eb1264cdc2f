"""
What a node sends: readings as SenML JSON, SenML CBOR (RFC 8428) or an Arrow IPC stream.

Written for the sender alone, from the RFC; the station has its own decoder.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from pipeline.simulate.simulator import NodeReadings

Payload = Literal["json", "cbor", "arrow"]
PAYLOADS: tuple[str, ...] = get_args(Payload)
CONTENT_TYPE = {
    "json": "application/senml+json",
    "cbor": "application/senml+cbor",
    "arrow": "application/vnd.apache.arrow.stream",
}
# Labels of RFC 8428, table 4.
CBOR_LABEL: dict[str, int] = {"bt": -3, "n": 0, "u": 1, "v": 2, "t": 6}
SEQUENCE_LABEL = "seq_"
"""Ends in _, so that a reader that does not know it must refuse (RFC 8428, 4.4)."""


@dataclass(frozen=True)
class Message:
    """One MQTT message of a node."""

    topic: str
    content_type: str
    payload: bytes
    sequence: int
    readings: int
    time_us: int
    """True time of its last reading: when the node sends it."""


class Packer:
    """
    Cuts what nodes measure into messages of `batch` readings, numbered per node.

    Readings that do not fill a message wait for the next piece, so that cutting a run into pieces
    changes no message; `flush` sends what is left.

    Args:
        prefix, structure: of the topic `{prefix}/{structure}/{node}/readings`.
        payload: `json`, `cbor` or `arrow`.
        batch: readings a message, at least 1.
        sequence: first number of each node; None sends no number.
    """

    def __init__(
        self,
        prefix: str,
        structure: str,
        payload: Payload = "json",
        batch: int = 100,
        sequence: int = 1,
    ) -> None:
        if batch < 1:
            raise ValueError(f"{batch} readings a message; it must be 1 or more")
        self._topic = f"{prefix}/{structure}/{{}}/readings"
        self._payload, self._batch, self._sequence = payload, batch, sequence
        self._waiting: dict[str, NodeReadings] = {}
        self._next: dict[str, int] = {}

    def add(self, nodes: dict[str, NodeReadings]) -> list[Message]:
        """Full messages of this piece and what waited, in order of time over all nodes."""
        messages: list[Message] = []
        for node, fresh in nodes.items():
            readings = _appended(self._waiting.get(node), fresh)
            whole = len(readings) // self._batch * self._batch
            messages += self._messages(rows(readings, 0, whole))
            self._waiting[node] = rows(readings, whole, len(readings))
        return sorted(messages, key=lambda message: message.time_us)

    def flush(self) -> list[Message]:
        """What is left, in messages that are not full."""
        messages: list[Message] = []
        for readings in self._waiting.values():
            messages += self._messages(readings)
        self._waiting = {}
        return sorted(messages, key=lambda message: message.time_us)

    def _messages(self, readings: NodeReadings) -> Iterator[Message]:
        for first in range(0, len(readings), self._batch):
            piece = rows(readings, first, first + self._batch)
            number = self._next.get(piece.node, self._sequence)
            self._next[piece.node] = number + 1
            yield Message(
                topic=self._topic.format(piece.node),
                content_type=CONTENT_TYPE[self._payload],
                payload=encoded(piece, self._payload, number),
                sequence=number,
                readings=len(piece),
                time_us=int(piece.true_us[-1]),
            )


def encoded(readings: NodeReadings, payload: Payload, sequence: int | None = None) -> bytes:
    """
    The payload of one message, one reading or more.

    The sequence is the label `seq_` of the first SenML record, or the schema's metadata `seq_` in
    Arrow. SenML times are a base second and what is to be added.
    """
    if payload == "arrow":
        return _arrow(readings, sequence)
    records = _records(readings, sequence)
    if payload == "json":
        return json.dumps(records, separators=(",", ":"), ensure_ascii=False).encode()
    import cbor2

    labelled = [{CBOR_LABEL.get(k, k): v for k, v in record.items()} for record in records]
    return bytes(cbor2.dumps(labelled))


def rows(readings: NodeReadings, first: int, last: int) -> NodeReadings:
    """A slice of the columns."""
    return NodeReadings(
        readings.node,
        readings.time_us[first:last],
        readings.true_us[first:last],
        readings.channel[first:last],
        readings.value[first:last],
        readings.channels,
    )


def _records(readings: NodeReadings, sequence: int | None) -> list[dict[str, Any]]:
    base = int(readings.time_us[0]) // 1_000_000
    offsets = readings.time_us - base * 1_000_000
    records: list[dict[str, Any]] = []
    for offset, code, value in zip(
        offsets.tolist(), readings.channel.tolist(), readings.value.tolist(), strict=True
    ):
        channel = readings.channels[code]
        record: dict[str, Any] = {"n": channel.id, "u": channel.unit, "v": value}
        if offset:
            record["t"] = offset / 1e6 if offset % 1_000_000 else offset // 1_000_000
        records.append(record)
    records[0] = {"bt": base, **records[0]}
    if sequence is not None:
        records[0][SEQUENCE_LABEL] = sequence
    return records


def _arrow(readings: NodeReadings, sequence: int | None) -> bytes:
    import pyarrow as pa

    names = pa.array([channel.id for channel in readings.channels], pa.string())
    codes = pa.array(readings.channel.astype(np.int32))
    table = pa.table(
        {
            "time": pa.array(readings.time_us).cast(pa.timestamp("us", tz="UTC")),
            "channel": pa.DictionaryArray.from_arrays(codes, names),
            "value": pa.array(readings.value),
        }
    )
    if sequence is not None:
        table = table.replace_schema_metadata({SEQUENCE_LABEL: str(sequence)})
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return sink.getvalue()


def _appended(waiting: NodeReadings | None, fresh: NodeReadings) -> NodeReadings:
    if waiting is None or not len(waiting):
        return fresh
    return NodeReadings(
        fresh.node,
        np.concatenate([waiting.time_us, fresh.time_us]),
        np.concatenate([waiting.true_us, fresh.true_us]),
        np.concatenate([waiting.channel, fresh.channel]),
        np.concatenate([waiting.value, fresh.value]),
        fresh.channels,
    )
