"""A logger whose clock stands still: silent, and what it sends is watched all the same."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.store.spool import Record, RecordKind
from tests.replaying import US, Replay, copied_site

START_US = 1_790_000_000 * US
MINUTE_US = 60 * US


@pytest.mark.slow
def test_overload_at_a_time_that_stands_still_alarms(tmp_path: Path) -> None:
    """
    One reading a minute, all with the first one's time; after an hour the crack opens. The point
    is silent to the end, and the crack alarms within two minutes of opening.
    """
    replay = Replay(copied_site(tmp_path), "quill-deck")
    structure = replay.setup.structure
    crack = next(p for p in structure.placements if p.point == "qd-crack-s1")
    channel = next(c for c in structure.channels if c.id == crack.channel)
    scale = next(c.scale for c in structure.calibrations if c.id == crack.calibration)
    high = next(w.high for w in replay.setup.rules.rows if w.alarm == "deck-crack.qd-crack-s1")
    assert scale is not None
    for minute in range(80):
        now_us = START_US + minute * MINUTE_US
        value = (crack.unstrained or 0.0) + (minute >= 60) * 5.0 * high / scale + minute * 1e-9
        pack = [{"bt": START_US / US, "n": channel.id, "u": channel.unit, "v": value}]
        topic = f"spanwarden/quill-deck/{channel.node}/readings"
        payload, kind = json.dumps(pack).encode(), "application/senml+json"
        replay.feed([Record(RecordKind.MESSAGE, now_us, payload, topic, kind)])
        replay.tick(now_us + US)
        if minute % 10 == 9:
            replay.seal(now_us + 2 * US)
    told = [t for t in replay.transitions() if t.point == "qd-crack-s1"]
    replay.close()

    assert [(t.rule, t.event) for t in told] == [
        ("deck-silent", "occurred"),
        ("deck-crack", "occurred"),
    ]
    assert told[1].detected_us <= START_US + 62 * MINUTE_US
