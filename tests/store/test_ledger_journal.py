"""The journal: a chain in which every change, gap and cut shows."""

from __future__ import annotations

import hashlib
import math
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from pipeline.store.ledger import Commit, Ledger, open_reader
from pipeline.store.ledger_rows import canonical_json


def _filled(path: Path, count: int = 6) -> tuple[int, str]:
    ledger = Ledger.open(path)
    for number in range(1, count + 1):
        alarm = "deck-high/P1" if number % 2 else ""
        ledger.commit(Commit(number, 1000 + number, entries=[("raised", alarm, {"n": number})]))
    head = ledger.head()
    ledger.close()
    return head


def _tamper(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path, isolation_level=None)
    for name in ("journal_is_never_changed", "journal_is_never_cut"):
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement)
    connection.close()


def test_journal_hash_is_that_of_the_canonical_text(tmp_path: Path) -> None:
    """SHA-256 over the canonical JSON of previous hash, number, time, kind, alarm and facts."""
    _filled(tmp_path / "l", 2)
    reader = open_reader(tmp_path / "l")
    first, second = reader.journal()
    # The texts as the journal's definition says, written out by hand.
    zeros = "0" * 64
    text = f'["{zeros}",1,1001,"raised","deck-high/P1",{{"n":1}}]'
    next_text = f'["{first.hash}",2,1002,"raised","",{{"n":2}}]'

    assert first.hash == hashlib.sha256(text.encode()).hexdigest()
    assert second.hash == hashlib.sha256(next_text.encode()).hexdigest()
    assert (first.previous, second.previous) == (zeros, first.hash)
    assert reader.head() == (2, second.hash)
    reader.close()


@pytest.mark.parametrize(
    ("statement", "broken"),
    [
        ("UPDATE journal SET facts = '{\"n\":3.5}' WHERE number = 3", 3),
        ("UPDATE journal SET alarm = 'other' WHERE number = 4", 4),
        ("UPDATE journal SET kind = 'cleared' WHERE number = 1", 1),
        ("UPDATE journal SET recorded_us = recorded_us + 1 WHERE number = 6", 6),
        ("UPDATE journal SET hash = previous WHERE number = 2", 2),
        ("UPDATE journal SET previous = hash WHERE number = 5", 5),
        ("DELETE FROM journal WHERE number = 1", 1),
        ("DELETE FROM journal WHERE number = 4", 4),
        ("UPDATE journal SET number = 60 WHERE number = 6", 6),
    ],
)
def test_verify_when_a_row_was_changed_names_the_first_broken_number(
    tmp_path: Path, statement: str, broken: int
) -> None:
    """An edit, a removal or a renumbering by hand shows at its number."""
    _filled(tmp_path / "l")
    _tamper(tmp_path / "l", statement)
    reader = open_reader(tmp_path / "l")

    assert reader.verify() == broken
    reader.close()


def test_verify_when_the_end_was_cut_shows_by_the_head_that_was_told(tmp_path: Path) -> None:
    """A cut journal is sound in itself; the head in a sign of life gives the cut away."""
    head = _filled(tmp_path / "l")
    _tamper(tmp_path / "l", "DELETE FROM journal WHERE number > 4")
    reader = open_reader(tmp_path / "l")

    assert reader.verify() is None
    assert reader.head() != head
    assert reader.verify(head) == 6
    reader.close()


def test_verify_when_rewritten_with_new_hashes_shows_by_the_head(tmp_path: Path) -> None:
    """Whoever writes the chain anew cannot write the heads that were sent away."""
    head = _filled(tmp_path / "l", 4)
    _filled(tmp_path / "other", 5)
    other = Ledger.open(tmp_path / "forged")
    for number in range(1, 6):
        other.commit(Commit(number, 1000 + number, entries=[("forged", "", {"n": number})]))

    assert other.verify() is None
    assert other.verify(head) == 4
    reader = open_reader(tmp_path / "l")
    assert reader.verify(head) is None
    reader.close()
    other.close()


def test_verify_when_the_journal_is_long_walks_all_of_it(tmp_path: Path) -> None:
    """The walk in pieces has no seam: a change far behind the first piece is found."""
    ledger = Ledger.open(tmp_path / "l")
    ledger.commit(Commit(0, 1, entries=[("raised", "", {"n": n}) for n in range(2500)]))
    assert ledger.verify() is None
    ledger.close()
    _tamper(tmp_path / "l", "UPDATE journal SET facts = '{}' WHERE number = 2400")
    reader = open_reader(tmp_path / "l")

    assert reader.verify() == 2400
    reader.close()


def test_journal_when_changed_by_our_own_code_refuses(tmp_path: Path) -> None:
    """The database itself keeps the journal append-only against a mistake of ours."""
    _filled(tmp_path / "l")
    connection = sqlite3.connect(tmp_path / "l")

    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute("UPDATE journal SET kind = 'x'")
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute("DELETE FROM journal")
    connection.close()


def test_journal_is_listed_from_a_number_by_alarm_and_up_to_a_limit(tmp_path: Path) -> None:
    """`since` is exclusive, so that a follower asks with the last number it has."""
    _filled(tmp_path / "l")
    reader = open_reader(tmp_path / "l")

    assert [entry.number for entry in reader.journal(since=4)] == [5, 6]
    assert [entry.number for entry in reader.journal(limit=2)] == [1, 2]
    assert [entry.number for entry in reader.journal(1, 9, alarm="deck-high/P1")] == [3, 5]
    reader.close()


def test_entry_when_facts_are_not_finite_is_kept_and_sound(tmp_path: Path) -> None:
    """A NaN from a dead gauge must not keep its alarm out of the journal."""
    ledger = Ledger.open(tmp_path / "l")
    facts = {
        "value": math.nan,
        "limits": [math.inf, -math.inf],
        "rows": np.int64(3),
        "u": np.float64("nan"),
        "point": "µ\ud800",
    }
    ledger.commit(Commit(0, 1, entries=[("raised", "a\udcff", facts)]))

    assert ledger.journal()[0].facts == {
        "value": "NaN",
        "limits": ["Infinity", "-Infinity"],
        "rows": 3,
        "u": "NaN",
        "point": "µ\ud800",
    }
    assert ledger.verify() is None
    ledger.close()


def test_canonical_json_is_one_text_for_equal_values() -> None:
    """Order of keys and blanks do not matter; floats come back bit for bit."""
    value = {"b": [1, 2.5e-7, None, True], "a": {"y": 0.1 + 0.2, "x": "ε"}}

    assert canonical_json(value) == (
        '{"a":{"x":"\\u03b5","y":0.30000000000000004},"b":[1,2.5e-07,null,true]}'
    )


def test_canonical_json_when_a_fact_is_no_json_says_so() -> None:
    """The message names the type and where to mend it."""
    with pytest.raises(TypeError) as caught:
        canonical_json({"when": object()})

    assert "facts hold a object, which JSON cannot" in str(caught.value)
    assert "Convert it where the fact is made" in str(caught.value)
