"""
One structure's worker: holds the connection, the spool, the machine, the jobs and the sender.

The main thread alone advances the machine and commits; every other thread hands it something.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import logging
import os
import queue
import signal
import threading
import time
from types import FrameType

from pipeline import __version__
from pipeline.errors import SpoolDamageError, StationError
from pipeline.ingest.client import BrokerClient
from pipeline.notify.outbox import OutboxSender
from pipeline.site.models import Site
from pipeline.site.snapshot import write_snapshot
from pipeline.station import machine
from pipeline.station.clock import Clock
from pipeline.station.control import Answers, ControlServer
from pipeline.station.deed import Deed
from pipeline.station.figures import Figures, Parts
from pipeline.station.files import broker_of
from pipeline.station.jobs import LIFE_DAY, Jobs, Links
from pipeline.station.layout import Layout, layout_of, structure_of
from pipeline.station.machine import MachineState, Outcome
from pipeline.station.reminding import Reminding
from pipeline.station.sealing import Sealer
from pipeline.station.sending import Sending, deliveries_of
from pipeline.station.supervisor import PROGRESS_ENV, RESTART_ENV
from pipeline.store.archive import Archive
from pipeline.store.ledger import Commit, Ledger
from pipeline.store.spool import Record, RecordKind, Spool

log = logging.getLogger("spanwarden.worker")

TICK_S = 1.0
# Without anything urgent a commit may wait, since the states it writes wear a card: about 200 kB
# for 23 points. A crash then costs reading so much again, which is little.
COMMIT_EVERY_S = 15.0
BATCH_RECORDS = 20_000
# About 100,000 readings however they are packed, which bounds the worker's memory.
BATCH_BYTES = 2 << 20
# A block costs the chain some milliseconds however small it is, so under load records are gathered
# for a moment; an alarm comes at most so much later, and only then.
BUSY_RECORDS = 200
GATHER_S = 0.25
CLOCK_WAIT_S = 300.0
# What is left of the spool is taken at the end for at most so long; the rest at the next start.
DRAIN_S = 1.5
SUBMIT_S = 5.0


class Worker:
    """
    Runs one structure until `stop`; see the module.

    Args:
        site: read without mistakes.
        structure: id, or None for the only one.
        clock: replaced in tests.

    Raises:
        StationError: another worker runs this structure.
        StorageError: spool or ledger cannot be opened.
    """

    def __init__(self, site: Site, structure: str | None, clock: Clock | None = None) -> None:
        self.site = site
        self.structure = structure_of(site, structure)
        self.layout = layout_of(site, self.structure.id)
        self.layout.home.mkdir(parents=True, exist_ok=True)
        self._lock = _hold(self.layout)
        self.setup = machine.compile_setup(site, self.structure)
        quarantine = int(site.storage.quarantine_mb * 1e6)
        self.ledger = Ledger.open(self.layout.ledger, quarantine_bytes=quarantine)
        self.position = self.ledger.position
        self.spool = Spool.open(self.layout.spool, at_least=self.position)
        self._missing = max(0, self.spool.first_position - self.position)
        saved = self.ledger.states()
        known = "machine" in saved
        self.state = MachineState.from_texts(saved) if known else machine.first_state(self.setup)
        self._saved = dict(saved)
        self.clock = clock or Clock(self.state.received_us)
        self._reminding = Reminding(self.setup, saved)
        self._restart = os.environ.get(RESTART_ENV, "")
        self._progress = int(os.environ.get(PROGRESS_ENV, "-1"))
        self._answers = Answers()
        self._deeds: queue.Queue[Deed] = queue.Queue()
        self._pending = Outcome()
        self._remembered: dict[str, str] = {}
        self._read_to = self.position + self._missing
        self._committed_at = time.monotonic()
        self._stopping = threading.Event()
        self._failure = ""
        self.is_busy = False
        """A job was still at work at the end; the process must not wait for it."""
        self._last_group, self._taken_at = 0, 0.0
        self._connect(saved.get(LIFE_DAY, ""))

    def stop(self, signum: int = 0, frame: FrameType | None = None) -> None:
        """Ask for a clean end; safe in a signal handler."""
        self._stopping.set()

    def run(self) -> int:
        """Work until stopped; 0 after a clean end, 3 when the spool failed."""
        self._begin()
        try:
            next_tick = 0.0
            while not self._stopping.is_set():
                if time.monotonic() >= next_tick:
                    next_tick = time.monotonic() + TICK_S
                    self._tick()
                self.turn(0.1)
        finally:
            self._end()
        return 3 if self._failure else 0

    def turn(self, wait_s: float) -> None:
        """Take what the spool holds behind the position; commit when it is urgent or time."""
        self._gather()
        records = self._read()
        if records:
            self._take(records)
        elif wait_s:
            self.spool.wait_past(self._read_to, wait_s)
        waited = time.monotonic() - self._committed_at
        urgent = self._pending.is_urgent or not self._deeds.empty()
        if urgent or (waited > COMMIT_EVERY_S and self._read_to > self.position):
            self.commit()

    def commit(self) -> None:
        """Write the position and all that came of the records before it, in one transaction."""
        # Nothing is let go of before the transaction is on disk: the last commit of an end that
        # follows a failed one must not keep states whose journal and notices were lost.
        pending = self._pending
        while not self._deeds.empty():
            deed = self._deeds.get_nowait()
            pending.journal.extend(deed.journal)
            pending.notices.extend(deed.notices)
            self._remembered.update(deed.remember)
        states = {**self.state.to_texts(), **self._reminding.to_texts(), **self._remembered}
        changed = {name: text for name, text in states.items() if self._saved.get(name) != text}
        # The ledger must never be ahead of what the spool has on the medium.
        if self.spool.durable_position < self._read_to:
            self.spool.sync()
        self.ledger.commit(
            Commit(
                position=self._read_to,
                now_us=self.clock.now_us(),
                states=changed,
                entries=pending.journal,
                notices=pending.notices,
                refusals=pending.refusals,
                counters=pending.counters,
            )
        )
        self._pending, self._remembered = Outcome(), {}
        self._saved.update(changed)
        self.position = self._read_to
        self._committed_at = time.monotonic()
        self._after(pending, bool(pending.notices))

    def _gather(self) -> None:
        """Under load, let a group grow until it is worth a block."""
        if self._last_group < BUSY_RECORDS or self._stopping.is_set():
            return
        left = self._taken_at + GATHER_S - time.monotonic()
        if left > 0:
            self.spool.wait_past(self._read_to + BATCH_RECORDS, left)

    def _read(self) -> list[Record]:
        """What the spool holds behind the position; a damaged part is journalled and passed."""
        try:
            return self.spool.read(self._read_to, max_records=BATCH_RECORDS, max_bytes=BATCH_BYTES)
        except SpoolDamageError as damage:
            log.error("spool damaged", extra={"reason": str(damage)})
            facts = {"event": "spool damaged", "detail": str(damage), "from": self._read_to}
            self._pending.journal.append(("station", "", {**facts, "to": damage.resume_at}))
            self.figures.note_damage(str(damage))
            self._read_to = damage.resume_at
            return []

    def _take(self, records: list[Record]) -> None:
        outcome, self.state = machine.advance(self.state, records, self.setup)
        self._last_group, self._taken_at = len(records), time.monotonic()
        self._pending.add(outcome)
        self._read_to = records[-1].position + 1
        self._reminding.note(outcome.transitions)
        if outcome.refusals:
            self.figures.note_refusal(outcome.refusals[-1].reason)
        if outcome.late:
            self.jobs.seal_soon()
        if outcome.ticks:
            self._pending.notices.extend(self._reminding.due(self.state.received_us))
            self._show_progress()

    def _after(self, pending: Outcome, told: bool) -> None:
        for request, (ok, text) in pending.replies.items():
            self._answers.give(request, ok, text)
        for transition in pending.transitions:
            log.warning(
                "alarm changed",
                extra={
                    "alarm": transition.alarm,
                    "before": transition.before,
                    "after": transition.after,
                },
            )
        if told:
            self.sending.wake()

    def _connect(self, life_day: str) -> None:
        """Make the parts and join them; nothing is started yet."""
        self.client = BrokerClient(
            self.structure.id,
            broker_of(self.site),
            self.spool,
            clock=self.clock.now_us,
            environ=os.environ,
            group_commit_ms=self.site.storage.group_commit_ms,
            on_failure=self._give_up,
        )
        deliveries = deliveries_of(self.site, self.layout, self._publish, os.environ)
        sender = OutboxSender(self.ledger, deliveries, self.site.people)
        self.sending = Sending(sender, self.clock, self._deeds.put)
        archive = Archive(self.layout.data, self.structure.id, self.site.storage.window_h)
        links = Links(
            now_us=self.clock.now_us,
            committed=lambda: self.position,
            hand_over=self._deeds.put,
            find=lambda payload: self._submit(RecordKind.FINDING, payload),
            publish=lambda p: self._publish(p.topic, p.payload, True, p.expiry_s),
            life=lambda: self.figures.life(),
            standing=self._reminding.publications,
            life_day=life_day,
        )
        sealer = Sealer(self.setup, archive, self.spool, self.ledger)
        self.jobs = Jobs(self.setup, sealer, archive, self.ledger, links)
        parts = Parts(
            self.setup,
            self.layout,
            self.clock,
            self.spool,
            self.ledger,
            self.client,
            self.sending,
            self.jobs,
            self._restart,
        )
        self.figures = Figures(parts, lambda: self.state, lambda: self.position)

    def _begin(self) -> None:
        signal.signal(signal.SIGTERM, self.stop)
        signal.signal(signal.SIGINT, self.stop)
        self._wait_for_clock()
        now_us = self.clock.now_us()
        write_snapshot(self.site, self.layout.configurations, now_us)
        outcome, self.state = machine.reconcile(self.state, self.setup, now_us)
        started: dict[str, object] = {
            "event": "started",
            "software": __version__,
            "configuration": self.site.sha256,
            "restart": self._restart,
            "torn_bytes": self.spool.statistics().torn_bytes_truncated,
            "records_missing": self._missing,
        }
        if self._missing:
            # A ledger that was lost or put back from a copy: what it has not seen is sealed, but
            # no rule has looked at it.
            self.figures.note_damage(
                f"the ledger is {self._missing} records behind what the spool still holds; rules "
                "have not seen them. The seal has: look at the archive of that time."
            )
        self._reminding.note(outcome.transitions)
        outcome.journal.append(("station", "", started))
        self._pending.add(outcome)
        self.commit()
        self.control = ControlServer(
            self.layout.socket,
            lambda payload: self._submit(RecordKind.COMMAND, payload, wait=True),
            self._answers,
        )
        self.client.start()
        self.sending.start()
        self.jobs.start()
        log.info(
            "station started",
            extra={"structure": self.structure.id, "position": self.position},
        )

    def _end(self) -> None:
        self.control.close()
        self.client.stop(2.0)
        # One deadline for all that follows: the supervisor waits 5 s and no longer.
        deadline = time.monotonic() + DRAIN_S
        while self._read_to < self.spool.next_position and time.monotonic() < deadline:
            self.turn(0.0)
        self.commit()
        self.sending.stop()
        busy = self.jobs.stop(max(0.1, deadline - time.monotonic()))
        log.info("station stopped", extra={"structure": self.structure.id, "busy": busy})
        self.is_busy = busy
        if not busy:  # a seal still at work is as safe as one that is killed
            self.spool.close()
            self.ledger.close()
        os.close(self._lock)

    def _give_up(self, why: str) -> None:
        """Something that cannot be mended within: end, and let the supervisor start anew."""
        log.critical("worker gives up", extra={"reason": why})
        self._failure = why
        self._stopping.set()

    def _tick(self) -> None:
        step_us = self.clock.step_us()
        if step_us:
            log.error("clock stepped", extra={"step_s": step_us / 1e6})
            self.figures.note_step(step_us)
            self.jobs.restart()
        if not (self.client.is_alive() and self.sending.is_alive()):
            self._give_up("a thread that receives or sends has ended")
        faults = dict(self.figures.measure_faults())
        self._submit(RecordKind.TICK, json.dumps({"faults": faults}).encode())

    def _submit(self, kind: RecordKind, payload: bytes, *, wait: bool = False) -> None:
        """Put a record of the station's own into the spool, in order with the messages."""
        record = Record(kind, self.clock.now_us(), payload)
        if not self.client.submit([record], wait=wait, timeout_s=SUBMIT_S):
            log.error("record not taken", extra={"kind": kind.name})

    def _publish(self, topic: str, payload: str, retain: bool, expiry_s: int) -> bool:
        return self.client.publish(topic, payload.encode(), retain=retain, expiry_s=expiry_s)

    def _show_progress(self) -> None:
        if self._progress >= 0:
            # Without a supervisor at the other end there is nobody to show it to.
            with contextlib.suppress(BrokenPipeError):
                os.write(self._progress, b".")

    def _wait_for_clock(self) -> None:
        """
        Give time synchronisation a moment where the clock was never set: it would refuse true
        readings. One that is merely behind what was written down is told as a fault.
        """
        until = time.monotonic() + CLOCK_WAIT_S
        while not self.clock.is_set() and time.monotonic() < until:
            log.error("clock not set", extra={"behind_s": self.clock.behind_us() / 1e6})
            self._show_progress()
            if self._stopping.wait(5.0):
                return


def _hold(layout: Layout) -> int:
    """Lock the structure's folder for this process; the descriptor keeps the lock."""
    held = os.open(layout.lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(held)
        raise StationError(
            f"{layout.lock}: another worker runs structure {layout.structure}. Stop it first; "
            "two would acknowledge each other's messages."
        ) from error
    return held
