"""The ledger: one transaction or nothing, and a commit that survives being killed."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import StateVersionError, StorageError
from pipeline.store.ledger import Commit, Ledger, Notice, Refusal, open_reader

ROOT = Path(__file__).parents[2]
NOTICE = Notice("mail", "ada", "Deck high", "Go and look.", "high", "deck-high/P1")
REFUSAL = Refusal(3, 50, "spanwarden/ford/n1/readings", "bad_json", "byte 7", 0, b"{")
FULL_COMMIT = Commit(
    position=5,
    now_us=100,
    states={"chain": "{}", "rules": "[1]"},
    entries=[("raised", "deck-high/P1", {"value": 312.5})],
    notices=[NOTICE],
    refusals=[REFUSAL],
    counters={"readings": 40, "refused": 1},
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """A new ledger; its journal must be sound at the end of every test that closes it whole."""
    ledger = Ledger.open(tmp_path / "ledger.sqlite")
    yield ledger
    assert ledger.verify() is None
    ledger.close()


def _content(ledger: Ledger) -> tuple[object, ...]:
    return (
        ledger.position,
        ledger.states(),
        ledger.journal(),
        ledger.outbox(),
        ledger.quarantine(),
        ledger.quarantine_totals(),
        ledger.counters(),
    )


def test_ledger_when_new_begins_at_zero(ledger: Ledger) -> None:
    """A new ledger consumes from record 0 and holds nothing."""
    assert _content(ledger) == (0, {}, [], [], [], {}, {})
    assert ledger.head() == (0, "0" * 64)
    assert ledger.recall("sealed") is None
    assert ledger.oldest_unsent_us() is None


def test_commit_when_reopened_is_all_there(ledger: Ledger) -> None:
    """Position, states, journal, outbox, quarantine and counters come back from the file."""
    ledger.commit(FULL_COMMIT)
    ledger.commit(Commit(5, 110, states={"rules": "[2]"}, counters={"readings": 2}))
    again = Ledger.open(ledger.path)

    assert _content(again) == _content(ledger)
    assert again.position == 5
    assert again.states() == {"chain": "{}", "rules": "[2]"}
    assert again.counters() == {"readings": 42, "refused": 1}
    assert [(e.kind, e.alarm, e.facts) for e in again.journal()] == [
        ("raised", "deck-high/P1", {"value": 312.5})
    ]
    assert again.outbox()[0].notice == NOTICE
    assert again.quarantine()[0].refusal == REFUSAL
    again.close()


@pytest.mark.parametrize(
    "bad",
    [
        {"entries": [("raised", "a", {}), ("raised", "a", {"value": {1, 2}})]},
        {"notices": [NOTICE, replace(NOTICE, facts={"value": object()})]},
        {"counters": {"fine": 1, "broken": "many"}},
        {"states": {"chain": None}},
        {"position": 4},
    ],
    ids=["entry", "notice", "counter", "state", "position"],
)
def test_commit_when_any_part_fails_leaves_nothing(ledger: Ledger, bad: dict[str, object]) -> None:
    """An error in the middle of a commit takes all of it back, and the next one succeeds."""
    ledger.commit(FULL_COMMIT)
    before = _content(ledger)

    with pytest.raises((StorageError, TypeError)):
        ledger.commit(replace(FULL_COMMIT, **{"position": 9, **bad}))  # type: ignore[arg-type]

    assert _content(ledger) == before
    ledger.commit(Commit(9, 200, counters={"readings": 1}))
    assert ledger.counters()["readings"] == 41


def test_commit_when_the_position_goes_back_says_so(ledger: Ledger) -> None:
    """Consuming twice would raise alarms twice: it is refused with both positions."""
    ledger.commit(Commit(5, 100))
    ledger.commit(Commit(5, 101))

    with pytest.raises(StorageError) as caught:
        ledger.commit(Commit(4, 102))

    assert "the position would go back from 5 to 4" in str(caught.value)
    assert "Only one station may run for a structure" in str(caught.value)


def test_commit_when_the_disk_is_full_leaves_nothing_and_tells(ledger: Ledger) -> None:
    """A full disk, here a database that may not grow, is a StorageError with a remedy."""
    ledger.commit(FULL_COMMIT)
    before = _content(ledger)
    pages = ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    ledger._connection.execute(f"PRAGMA max_page_count = {pages}")

    with pytest.raises(StorageError) as caught:
        ledger.commit(replace(FULL_COMMIT, position=6, states={"chain": "x" * 100_000}))

    assert "The disk is full: make room; nothing of this transaction was stored" in str(
        caught.value
    )
    assert _content(ledger) == before


def test_remember_keeps_the_last_value(ledger: Ledger) -> None:
    """Small facts are kept by key, over a restart."""
    ledger.remember("sealed", "41")
    ledger.remember("sealed", "42")
    ledger.remember("jobs", "{}")
    again = Ledger.open(ledger.path)

    assert (again.recall("sealed"), again.recall("jobs"), again.recall("x")) == ("42", "{}", None)
    again.close()


def test_ledger_settings_are_those_that_make_a_commit_durable(ledger: Ledger) -> None:
    """Rollback journal, truncated, and full synchronous (2): see decision 2."""
    settings = {
        name: ledger._connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys", "user_version")
    }

    assert settings == {
        "journal_mode": "truncate",
        "synchronous": 2,
        "foreign_keys": 1,
        "user_version": 1,
    }


def test_open_when_a_newer_release_wrote_it_refuses(tmp_path: Path) -> None:
    """A ledger of a later version is not touched; the message names both versions."""
    path = tmp_path / "ledger.sqlite"
    Ledger.open(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 9")
    connection.close()
    for opener in (Ledger.open, open_reader):
        with pytest.raises(StateVersionError) as caught:
            opener(path)

        assert "has version 9, this software reads version 1" in str(caught.value)


def test_open_when_it_is_another_database_leaves_it_alone(tmp_path: Path) -> None:
    """A database that is no ledger gets no tables of ours."""
    path = tmp_path / "ledger.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (x)")
    connection.close()

    with pytest.raises(StateVersionError) as caught:
        Ledger.open(path)

    assert "has version 0, this software reads version 1" in str(caught.value)
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT name FROM sqlite_schema").fetchall() == [("theirs",)]
    connection.close()


def test_open_when_the_file_is_no_ledger_says_what_to_do(tmp_path: Path) -> None:
    """A damaged file is never overwritten by a new ledger."""
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(b"this is not a database at all " * 100)

    with pytest.raises(StorageError) as caught:
        Ledger.open(path)

    assert "The file is damaged or no ledger: copy it away, put back a backup" in str(caught.value)
    assert path.read_bytes().startswith(b"this is not")


def test_reader_when_there_is_no_ledger_says_how_it_comes_about(tmp_path: Path) -> None:
    """A command on a structure that never ran gets a remedy, and makes no empty file."""
    with pytest.raises(StorageError) as caught:
        open_reader(tmp_path / "ledger.sqlite")

    assert "there is no ledger. It is made by the first `spanwarden run`" in str(caught.value)
    assert not (tmp_path / "ledger.sqlite").exists()


def test_reader_sees_commits_and_cannot_write(ledger: Ledger, tmp_path: Path) -> None:
    """Another process reads what was committed last and can change nothing."""
    reader = open_reader(ledger.path)
    ledger.commit(FULL_COMMIT)

    assert reader.position == 5
    assert [item.notice for item in reader.outbox(["queued"])] == [NOTICE]
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM states")
    reader.close()


def test_reader_when_the_ledger_is_busy_for_too_long_says_so(ledger: Ledger) -> None:
    """A wait that is over is an error with a remedy, not a hang."""
    ledger._connection.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StorageError) as caught:
        open_reader(ledger.path, busy_s=0.01)
    ledger._connection.execute("ROLLBACK")

    assert "end long queries on it and try again" in str(caught.value)


@pytest.mark.slow
def test_ledger_when_used_by_threads_keeps_every_commit(ledger: Ledger) -> None:
    """The worker, the outbox and the jobs share one connection; none undoes another's work."""

    def work(name: str) -> None:
        for number in range(40):
            ledger.commit(Commit(0, number, entries=[(name, "", {})], counters={"n": 1}))
            ledger.remember(name, str(number))
            ledger.states()

    threads = [threading.Thread(target=work, args=(f"job-{i}",)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)

    assert ledger.counters() == {"n": 160}
    assert ledger.head()[0] == 160


_WRITER = """
import sys
from pathlib import Path
from pipeline.store.ledger import Commit, Ledger
ledger = Ledger.open(Path(sys.argv[1]))
number = ledger.position
while True:
    number += 1
    ledger.commit(Commit(number, number, states={"s": str(number)},
        entries=[("raised", "a", {"n": number})], counters={"n": 1}))
    print(number, flush=True)
"""


@pytest.mark.slow
def test_ledger_when_its_process_is_killed_has_whole_commits_only(tmp_path: Path) -> None:
    """SIGKILL in the middle of committing, again and again: all parts agree, none is lost."""
    path = tmp_path / "ledger.sqlite"
    for round_number in range(5):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(path)], cwd=ROOT, stdout=subprocess.PIPE
        )
        assert writer.stdout is not None
        lines = [writer.stdout.readline() for _ in range(15 + 7 * round_number)]
        writer.send_signal(signal.SIGKILL)
        lines += writer.stdout.read().splitlines()
        writer.stdout.close()
        writer.wait(30.0)

        ledger = Ledger.open(path)
        position = ledger.position
        assert position >= int(lines[-1])
        assert ledger.states() == {"s": str(position)}
        assert ledger.counters() == {"n": position}
        assert [entry.facts["n"] for entry in ledger.journal()] == list(range(1, position + 1))
        assert ledger.verify() is None
        ledger.close()
