"""
N5: no input stops a worker, and everything refused is accounted for with a reason.
"""

import json
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.store.spool import Record, RecordKind
from tests.replaying import US, Replay, copied_site
from tests.streams import Row, messages, recorded

pytestmark = pytest.mark.slow

NOW_US = recorded("quiet-day")[0].received_us
TOPIC = "spanwarden/quill-deck/deck-n1/readings"
YEAR_US = 366 * 86_400 * US


@pytest.fixture
def replay(tmp_path: Path) -> Iterator[Replay]:
    """A station of the example site."""
    found = Replay(copied_site(tmp_path), "quill-deck")
    yield found
    found.close()


def message(payload: bytes, topic: str = TOPIC, content_type: str = "") -> Record:
    """A message that came at `NOW_US`."""
    return Record(RecordKind.MESSAGE, NOW_US, payload, topic, content_type)


def pack(**fields: object) -> bytes:
    """A SenML pack of one good reading with these fields changed."""
    record = {"n": "n1-g1-t", "u": "Cel", "v": 12.5, "t": NOW_US / US, **fields}
    return json.dumps([{k: v for k, v in record.items() if v is not None}]).encode()


REFUSED = {
    "empty": message(b""),
    "text": message(b"hello"),
    "cut": message(pack()[:-7]),
    "not a pack": message(b'{"n": "x"}'),
    "nan": message(pack().replace(b"12.5", b"NaN")),
    "infinite": message(pack().replace(b"12.5", b"1e999")),
    "text for a number": message(pack(v="12.5")),
    "no time": message(pack(t=None)),
    "relative time": message(pack(t=-5.0)),
    "future": message(pack(t=(NOW_US + 3600 * US) / US)),
    "year 2099": message(pack(t=4_070_908_800.0)),
    "ancient": message(pack(t=(NOW_US - 2 * YEAR_US) / US)),
    "unknown channel": message(pack(n="n1-nothing")),
    "another node's channel": message(pack(n="n2-plate-t")),
    "wrong unit": message(pack(u="V")),
    "must-understand label": message(pack(strange_=1)),
    "unknown node": message(pack(), topic="spanwarden/quill-deck/stranger/readings"),
    "foreign structure": message(pack(), topic="spanwarden/elsewhere/deck-n1/readings"),
    "arrow that lies": message(b"ARROW1\x00\x00" + b"\xff" * 64),
    "deep nesting": message(b"[" * 100_000),
    "binary": message(bytes(range(256)) * 40),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_used_is_in_quarantine_whole(replay: Replay, name: str) -> None:
    """The bytes are kept with a reason and a text; neither archive nor watermark sees them."""
    before = replay.state.newest_us
    replay.feed([REFUSED[name]])
    rows = replay.ledger.quarantine()

    assert len(rows) == 1
    assert rows[0].refusal.payload == REFUSED[name].payload
    assert rows[0].refusal.reason
    assert len(rows[0].refusal.detail) > 10
    assert replay.state.newest_us == before
    assert replay.seal(NOW_US) == []


def test_good_readings_go_on_between_hostile_messages(replay: Replay) -> None:
    """Every good reading is sealed, every other message refused, whatever stands beside what."""
    chance = random.Random(5)
    good = [Row(NOW_US - i * US, "n1-g1-t", 10 + i / 7) for i in range(300)]
    records = [message(payload, topic) for topic, payload in messages(good, 3, replay.setup)]
    records += list(REFUSED.values()) * 3
    chance.shuffle(records)
    replay.feed(records)
    replay.seal(NOW_US)
    kept = sum(len(replay.archive.read_raw(w)) for w in replay.archive.windows())
    refused = sum(t.messages for t in replay.ledger.quarantine_totals().values())

    assert kept == 300
    assert refused == 3 * len(REFUSED)
    counters = replay.ledger.counters()
    assert counters["messages"] == len(records)


def test_random_bytes_never_stop_the_machine(replay: Replay) -> None:
    """Two thousand mutations of good messages end in readings or in quarantine."""
    chance = random.Random(11)
    good = pack()
    records = []
    for _ in range(2000):
        payload = bytearray(good)
        for _ in range(chance.randrange(1, 6)):
            payload[chance.randrange(len(payload))] = chance.randrange(256)
        records.append(message(bytes(payload), content_type=chance.choice(["", "text/html"])))
    replay.feed(records)
    counters = replay.ledger.counters()
    refused = sum(t.messages for t in replay.ledger.quarantine_totals().values())

    assert counters["messages"] == 2000
    assert counters["readings"] + refused >= 2000
