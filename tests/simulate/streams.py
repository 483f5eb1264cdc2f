"""
Reading the recorded streams of `sample-streams/` in tests, with general decoders only.
"""

from __future__ import annotations

import base64
import gzip
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cbor2
import numpy as np
import numpy.typing as npt
import pyarrow as pa

ROOT = Path(__file__).parents[2] / "sample-streams"
Row = tuple[int, str, float]


@dataclass(frozen=True)
class Line:
    """One message of a stream with its readings (time µs, channel, value)."""

    received_us: int
    node: str
    content_type: str
    sequence: int | None
    rows: tuple[Row, ...]


def rows_of(payload: bytes, kind: str) -> list[Row]:
    """What a reader gets from a payload; `kind` is json, cbor or arrow."""
    if kind == "json":
        return _resolved(json.loads(payload), {k: k for k in ("bt", "t", "n", "v")})
    if kind == "cbor":
        return _resolved(cbor2.loads(payload), {"bt": -3, "t": 6, "n": 0, "v": 2})
    table = pa.ipc.open_stream(io.BytesIO(payload)).read_all()
    times = table["time"].cast(pa.int64()).to_pylist()
    return list(zip(times, table["channel"].to_pylist(), table["value"].to_pylist(), strict=True))


def read_stream(path: Path) -> list[Line]:
    """All messages of a stream file in its order."""
    lines = []
    for text in gzip.decompress(path.read_bytes()).splitlines():
        line = json.loads(text)
        payload = line.get("payload", "").encode() or base64.b64decode(line["payload_b64"])
        kind = line["content_type"].rsplit("+", 1)[-1]
        rows = rows_of(payload, kind if kind in ("json", "cbor") else "arrow")
        node = line["topic"].split("/")[-2]
        lines.append(
            Line(line["received_us"], node, line["content_type"], line["sequence"], tuple(rows))
        )
    return lines


def columns_of(
    lines: list[Line],
) -> dict[str, tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]:
    """Times and values of each channel, in order of time, repeats dropped."""
    found: dict[str, dict[int, float]] = {}
    for line in lines:
        for time, channel, value in line.rows:
            found.setdefault(channel, {})[time] = value
    return {
        channel: (np.array(sorted(rows)), np.array([rows[t] for t in sorted(rows)]))
        for channel, rows in found.items()
    }


def _resolved(records: list[dict[Any, Any]], names: dict[str, Any]) -> list[Row]:
    """Rows of a pack: base time added, per RFC 8428 section 4.6, to the microsecond."""
    base, rows = 0.0, []
    for record in records:
        base = record.get(names["bt"], base)
        time = round(base * 1e6) + round(record.get(names["t"], 0) * 1e6)
        rows.append((time, record[names["n"]], record[names["v"]]))
    return rows
