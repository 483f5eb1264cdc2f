"""
The worker's own loop where things go wrong: failed commits, outages, lost ledgers, bad commands.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.alarms.transition import Transition
from pipeline.errors import StorageError
from pipeline.station import machine
from pipeline.station.clock import Clock
from pipeline.station.layout import layout_of
from pipeline.station.supervisor import PROGRESS_ENV
from pipeline.station.worker import Worker
from pipeline.store.ledger import Commit
from pipeline.store.spool import Record, RecordKind, Spool
from tests.replaying import US, Replay, copied_site, with_ticks
from tests.streams import recorded

pytestmark = pytest.mark.slow

STRUCTURE = "quill-deck"
ALARM = "deck-strain.qd-g1-s2-bot"


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[Worker]:
    """A worker whose threads are not started: the test turns it."""
    found = Worker(copied_site(tmp_path), STRUCTURE)
    yield found
    found.spool.close()
    found.ledger.close()


def told(worker: Worker) -> list[str]:
    """Alarms that occurred, by the journal."""
    return [
        entry.alarm
        for entry in worker.ledger.journal(limit=100_000)
        if entry.kind == "transition" and entry.facts["event"] == "occurred"
    ]


def turned(worker: Worker) -> None:
    """Turn until everything in the spool is taken and committed."""
    while worker.position < worker.spool.next_position:
        worker.turn(0.0)


def test_a_commit_that_fails_loses_no_alarm(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a failed commit did not write is written by the next one: alarm, notices, all."""
    commit = worker.ledger.commit
    failures = iter([StorageError("database is locked")])

    def once_failing(what: Commit) -> None:
        for failure in failures:
            raise failure
        commit(what)

    monkeypatch.setattr(worker.ledger, "commit", once_failing)
    worker.spool.append(recorded("load-test"))
    with pytest.raises(StorageError):
        turned(worker)
    worker.commit()

    assert told(worker) == [ALARM]
    assert [i.notice.alarm for i in worker.ledger.outbox() if i.notice.alarm == ALARM]


def test_an_outage_is_not_silence_though_records_were_left(tmp_path: Path) -> None:
    """After a crash and an hour without power no gauge counts as silent because of it."""
    replay = Replay(copied_site(tmp_path), STRUCTURE)
    records = [r for r in recorded("quiet-day") if r.received_us < 1781060000 * US]
    for lot in with_ticks(records, 60 * US):
        replay.feed(lot)
    last_us = records[-1].received_us
    left = Record(RecordKind.TICK, last_us + US, b'{"faults": {}}')
    replay.feed([left], consume=False)
    _, replay.state = machine.reconcile(replay.state, replay.setup, last_us + 3600 * US)
    for minutes in (60, 61, 62):
        replay.tick(last_us + minutes * 60 * US)

    assert [t.alarm for t in replay.transitions()] == []
    replay.close()


def test_a_clock_that_is_merely_behind_does_not_hold_up_the_start(tmp_path: Path) -> None:
    """After an hour ahead and a correction the worker starts at once; a fault tells the rest."""
    site = copied_site(tmp_path)
    replay = Replay(site, STRUCTURE)
    ahead_us = Clock().now_us() + 3600 * US
    replay.tick(ahead_us)
    replay.close()
    worker = Worker(site, STRUCTURE)
    worker._wait_for_clock()  # would wait for minutes

    assert worker.clock.behind_us() > 3500 * US
    assert "clock" in worker.figures.measure_faults()
    worker.spool.close()
    worker.ledger.close()


def test_waiting_for_a_clock_shows_progress(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The supervisor must not take a worker that waits for its clock for a stuck one."""
    read_end, write_end = os.pipe()
    monkeypatch.setenv(PROGRESS_ENV, str(write_end))
    worker = Worker(copied_site(tmp_path), STRUCTURE, Clock(0, lambda: 0, lambda: 0))
    worker.stop()
    worker._wait_for_clock()

    assert os.read(read_end, 10) == b"."
    worker.spool.close()
    worker.ledger.close()


def test_a_ledger_from_a_copy_does_not_keep_the_worker_down(tmp_path: Path) -> None:
    """Records that the spool let go of are journalled as missing; the rest is taken."""
    site = copied_site(tmp_path)
    layout = layout_of(site, STRUCTURE)
    messages = recorded("load-test")
    with_old = Spool.open(layout.spool, segment_bytes=64 << 10)
    with_old.append(messages[:100])
    with_old.append(messages[100:200])
    with_old.append(messages[200:])
    with_old.drop_before(150)
    first = with_old.first_position
    with_old.close()
    assert first > 0
    worker = Worker(site, STRUCTURE)
    while worker._read_to < worker.spool.next_position:
        worker.turn(0.0)
    worker.commit()

    assert worker._missing == first
    assert worker.ledger.position == worker.spool.next_position
    worker.spool.close()
    worker.ledger.close()


@pytest.mark.parametrize(
    "asked",
    [
        {"kind": "bogus"},
        {"comment": 5},
        {"until_us": "tomorrow"},
        {"alarm": None},
        {"until_us": 1e18},
    ],
)
def test_a_malformed_command_is_refused_and_not_a_trap(
    tmp_path: Path, asked: dict[str, object]
) -> None:
    """A command record that makes no sense is answered and journalled; the worker goes on."""
    replay = Replay(copied_site(tmp_path), STRUCTURE)
    command = {
        "request": "r",
        "kind": "ack",
        "alarm": ALARM,
        "by": "tomas-reedwater",
        "comment": "",
        "until_us": None,
        **asked,
    }
    replay.feed([Record(RecordKind.COMMAND, 1_781_000_000 * US, json.dumps(command).encode())])
    entries = [e for e in replay.ledger.journal() if e.kind == "command"]

    assert len(entries) == 1
    assert entries[0].facts["accepted"] is False
    replay.close()


def test_a_removed_rule_is_not_reminded_of(worker: Worker) -> None:
    """What `reconcile` takes away is forgotten: nobody is reminded of a rule that is gone."""
    worker.spool.append(recorded("load-test"))
    turned(worker)
    rules = tuple(r for r in worker.structure.rules if r.id != "deck-strain")
    changed = worker.structure.model_copy(update={"rules": rules})
    setup = machine.compile_setup(worker.site, changed)
    outcome, worker.state = machine.reconcile(worker.state, setup, worker.state.received_us)
    assert ALARM in [t.alarm for t in outcome.transitions]
    worker._reminding.note(outcome.transitions)
    week = worker.state.received_us + 7 * 86_400 * US

    assert ALARM not in {notice.alarm for notice in worker._reminding.due(week)}


def test_transitions_survive_the_ledger(worker: Worker) -> None:
    """A transition reads back from the journal as it was written."""
    worker.spool.append(recorded("load-test"))
    turned(worker)
    entry = next(e for e in worker.ledger.journal() if e.alarm == ALARM)

    assert Transition.from_facts(entry.facts).to_facts() == dict(entry.facts)


def test_a_worker_whose_sending_thread_has_ended_gives_up(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An alarm must not wait in an outbox that nobody drains: the supervisor has to start anew."""
    monkeypatch.setattr(worker.client, "is_alive", lambda: True)
    monkeypatch.setattr(worker.sending, "is_alive", lambda: False)
    worker._tick()

    assert worker._stopping.is_set()
    assert "has ended" in worker._failure


def test_a_worker_whose_threads_live_goes_on(
    worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tick of a sound worker asks for no end."""
    monkeypatch.setattr(worker.client, "is_alive", lambda: True)
    monkeypatch.setattr(worker.sending, "is_alive", lambda: True)
    worker._tick()

    assert not worker._stopping.is_set()


def phase(replay: Replay) -> str:
    """Where the condition of the overload's alarm stands."""
    return str(replay.state.alarms.alarms[ALARM].condition.phase)


@pytest.mark.parametrize("down_s", [1, 7200])
def test_a_restart_in_the_middle_of_an_on_delay_raises_once(tmp_path: Path, down_s: int) -> None:
    """Stopped within the first minute of an overload and started again: one alarm, one time."""
    replay = Replay(copied_site(tmp_path), STRUCTURE)
    records = recorded("load-test")
    # The sample's README: the overload stands from 10:00 UTC; the rule's on-delay is 60 s.
    overload_us = 1_781_690_400 * US
    before = [r for r in records if r.received_us <= overload_us + 55 * US]
    after = [r for r in records if r.received_us > overload_us + 55 * US]
    replay.feed(before)
    assert phase(replay) == "pending"
    replay.restart()
    assert phase(replay) == "pending"
    now_us = before[-1].received_us + down_s * US
    outcome, replay.state = machine.reconcile(replay.state, replay.setup, now_us)
    assert outcome.transitions == []
    replay.tick(now_us)
    assert replay.transitions() == []
    replay.feed(after)
    raised = [t for t in replay.transitions() if t.event == "occurred"]

    assert [(t.alarm, t.occurred_us) for t in raised] == [(ALARM, overload_us)]
    replay.close()
