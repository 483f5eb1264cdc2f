"""
The recorded sample streams, and messages made anew from readings in any cutting.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.blocks import Readings, concat_readings, dedupe_readings
from pipeline.ingest.gate import accept
from pipeline.station.machine import Setup
from pipeline.store.spool import Record, RecordKind

FOLDER = Path(__file__).parents[1] / "sample-streams"
NAMES = ("quiet-day", "load-test", "heat-wave", "failing-gauge", "offline-node")
PREFIX = "spanwarden"


@dataclass(frozen=True)
class Row:
    """One reading to be sent: `sequence` None where its node numbers nothing."""

    time_us: int
    channel: str
    value: float
    sequence: int | None = None


def recorded(name: str) -> list[Record]:
    """A sample stream's messages as spool records, in order of arrival."""
    records = []
    with gzip.open(FOLDER / name / "stream.jsonl.gz", "rt") as lines:
        for line in lines:
            m = json.loads(line)
            text = m.get("payload")
            payload = base64.b64decode(m["payload_b64"]) if text is None else text.encode()
            records.append(
                Record(
                    RecordKind.MESSAGE,
                    m["received_us"],
                    payload,
                    m["topic"],
                    m["content_type"],
                    m["sequence"],
                )
            )
    return records


def expected(name: str) -> dict[str, Any]:
    """What a stream's folder says must come of it."""
    found: dict[str, Any] = json.loads((FOLDER / name / "expected.json").read_text())
    return found


def readings_of(records: Iterable[Record], setup: Setup) -> Readings:
    """The distinct readings in records."""
    return dedupe_readings(concat_readings([accept(list(records), setup.gate).readings]))


def rows_of(readings: Readings) -> list[Row]:
    """Readings as rows without sequence, in their order."""
    table = readings.table
    time = table.column("time").cast(pa.int64()).to_pylist()
    channel = table.column("channel").to_pylist()
    value = table.column("value").to_pylist()
    return [Row(t, c, v) for t, c, v in zip(time, channel, value, strict=True)]


def messages(rows: Iterable[Row], size: int, setup: Setup) -> Iterator[tuple[str, bytes]]:
    """
    Rows as SenML messages (topic, payload) of up to `size` readings, cut where node or sequence
    changes; the order of rows is kept.
    """
    node_of = {channel.id: channel.node for channel in setup.structure.channels}
    unit_of = {channel.id: channel.unit for channel in setup.structure.channels}
    lot: list[dict[str, object]] = []
    about: tuple[str, int | None] | None = None
    for row in rows:
        key = (node_of[row.channel], row.sequence)
        if lot and (key != about or len(lot) >= size):
            yield _message(lot, about, setup)
            lot = []
        about = key
        # Whole microseconds as a decimal text: what a float of seconds cannot be trusted with.
        seconds = f"{row.time_us // 1_000_000}.{row.time_us % 1_000_000:06d}"
        record = {"n": row.channel, "u": unit_of[row.channel], "v": row.value}
        lot.append({**record, "t": float(seconds)})
    if lot:
        yield _message(lot, about, setup)


def _message(
    lot: list[dict[str, object]], about: tuple[str, int | None] | None, setup: Setup
) -> tuple[str, bytes]:
    assert about is not None
    node, sequence = about
    if sequence is not None:
        lot[0] = {**lot[0], "seq_": sequence}
    return f"{PREFIX}/{setup.structure.id}/{node}/readings", json.dumps(lot).encode()
