"""
N2: any blocking of a stream into messages and any restart gives the same sealed archive.
"""

import itertools
import random
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.blocks import RESULTS_SCHEMA, Results, concat_results
from pipeline.store.spool import Record, RecordKind
from tests.replaying import US, Replay, copied_site
from tests.streams import Row, messages, readings_of, recorded, rows_of

pytestmark = pytest.mark.slow

SEED = 20260611
STREAM = "load-test"
VALUES = [f.name for f in RESULTS_SCHEMA if f.name != "received"]


def stream_rows(replay: Replay) -> list[Row]:
    """
    The stream's readings with repeats and contradictions, in the order of time.

    Every 50th reading comes twice and every 97th is contradicted: by a later sequence, which must
    win, or without any, where the first to come must win.
    """
    plain = rows_of(readings_of(recorded(STREAM), replay.setup))
    rows: list[Row] = []
    for i, row in enumerate(sorted(plain, key=lambda r: (r.time_us, r.channel))):
        rows.append(row)
        if i % 50 == 0:
            rows.append(row)
        if i % 97 == 0:
            rows.append(Row(row.time_us, row.channel, row.value * (1 + 1e-6), sequence=i))
        if i % 101 == 0:
            rows.append(Row(row.time_us, row.channel, row.value * (1 - 1e-6)))
    return rows


def shuffled_across_gauges(rows: list[Row], chance: random.Random) -> list[Row]:
    """Each channel's own rows in their order, the channels mixed anew."""
    queues: dict[str, list[Row]] = {}
    for row in rows:
        queues.setdefault(row.channel, []).append(row)
    order = [row.channel for row in rows]
    chance.shuffle(order)
    heads = {channel: iter(queue) for channel, queue in queues.items()}
    return [next(heads[channel]) for channel in order]


def sealed(
    folder: Path, size: int, *, shuffle: bool, restarts: int, seals: int
) -> tuple[list[tuple[object, ...]], Results]:
    """Raw rows (channel, time, value) and results of the archive that this cutting gives."""
    chance = random.Random(SEED + size)
    replay = Replay(copied_site(folder), "quill-deck")
    rows = stream_rows(replay)
    last_us = max(row.time_us for row in rows)
    if shuffle:
        rows = shuffled_across_gauges(rows, chance)
    records = [
        Record(RecordKind.MESSAGE, last_us + i, payload, topic)
        for i, (topic, payload) in enumerate(messages(rows, size, replay.setup))
    ]
    breaks = sorted(chance.sample(range(1, len(records)), restarts + seals))
    restart_at = set(chance.sample(breaks, restarts))
    for part_end, part in _parts(records, breaks):
        # A crash may come before the batch is committed: it is taken again after the restart.
        replay.feed(part, consume=part_end not in restart_at)
        if part_end in restart_at:
            replay.restart()
        else:
            replay.seal(last_us)
    replay.seal(last_us + 48 * 3600 * US)
    raw = [
        tuple(row.values())
        for window in replay.archive.windows()
        for row in replay.archive.read_raw(window)
        .table.select(["channel", "time", "value"])
        .to_pylist()
    ]
    results = concat_results(replay.archive.read_results(w) for w in replay.archive.windows())
    replay.close()
    return raw, results


def content(column: np.ndarray[Any, Any]) -> object:
    """A column's numbers bit for bit, its names as they are."""
    return column.tolist() if column.dtype == object else column.tobytes()


def _parts(records: list[Record], breaks: list[int]) -> Iterable[tuple[int, list[Record]]]:
    edges = [0, *breaks, len(records)]
    for start, end in itertools.pairwise(edges):
        yield end, records[start:end]


def test_every_cutting_gives_the_same_archive(tmp_path: Path) -> None:
    """Messages of 1, 7 and 1000, shuffled, repeated, contradicted, restarted: the same bytes."""
    reference_raw, reference = sealed(tmp_path / "a", 1000, shuffle=False, restarts=0, seals=0)
    assert len(reference) > 1000
    for size, restarts, seals in ((1, 3, 2), (7, 2, 3), (1000, 1, 1)):
        raw, results = sealed(
            tmp_path / str(size), size, shuffle=True, restarts=restarts, seals=seals
        )

        assert raw == reference_raw
        for name in VALUES:
            ours, theirs = results.column(name), reference.column(name)
            assert content(ours) == content(theirs), f"{name}, messages of {size}"


def test_a_contradiction_is_decided_by_sequence_and_then_by_arrival(tmp_path: Path) -> None:
    """Of values for one time all stay in raw, the right one is used, and the row is suspect."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    time_us = recorded(STREAM)[0].received_us
    rows = [
        Row(time_us, "n1-g1-t", 11.0),
        Row(time_us, "n1-g1-t", 12.0, sequence=5),
        Row(time_us, "n1-g1-t", 13.0, sequence=4),
        Row(time_us + US, "n1-g1-t", 21.0),
        Row(time_us + US, "n1-g1-t", 22.0),
    ]
    for topic, payload in messages(rows, 1, replay.setup):
        replay.feed([Record(RecordKind.MESSAGE, time_us + US, payload, topic)])
    replay.seal(time_us + US)
    window = replay.archive.windows()[0]
    results = replay.archive.read_results(window)
    mine = results.take(np.flatnonzero(results.column("value").astype(float) > 0))

    assert len(replay.archive.read_raw(window)) == 5
    assert mine.column("value").tolist() == [12.0, 21.0]
    assert mine.column("flag").tolist() == [3, 3]
    replay.close()
