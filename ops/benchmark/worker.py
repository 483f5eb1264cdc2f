"""
A real worker process on a backlog: from its connection to the commit that holds the last reading.

Commits come at once when something happened, else every 5 s. So the last reading of a backlog
raises an alarm, and the worker logs "alarm changed" when the transaction is on disk.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from backlog import LAST_ALARM, Backlog
from surroundings import ROOT, STRUCTURE, BenchmarkError, memory_kb, processor_s

from pipeline.store.ledger_reading import open_reader

PATIENCE_S = 120.0
_LINES_SHOWN = 30
Event = dict[str, Any]


@dataclass(frozen=True)
class Drained:
    """One backlog worked off by one worker."""

    seconds: float
    """From its connection to the commit with the last reading."""
    start_s: float
    """From the start of the process to its connection."""
    processor_s: float
    """Processor time of all its threads in `seconds`."""
    peak_kb: int
    resident_kb: int


def drain(site: Path, backlog: Backlog) -> Drained:
    """
    Start a worker without a past on a backlog that waits for it, and stop it behind the last.

    Raises:
        BenchmarkError: the last alarm did not come, or the ledger does not count every message
            and reading.
    """
    home = site / "data" / STRUCTURE
    shutil.rmtree(site / "data", ignore_errors=True)
    begun = time.time()
    with _worker(site) as (process, events):
        connected = _wait_event(events, process, _is_connected)
        before_s = processor_s(process.pid)
        done = _wait_event(events, process, _is_last_alarm)
        spent_s = processor_s(process.pid) - before_s
        peak, resident = memory_kb(process.pid, "VmHWM"), memory_kb(process.pid, "VmRSS")
        process.send_signal(signal.SIGTERM)
        process.wait(15)
    _check(home / "ledger.db", backlog)
    seconds, start_s = _seconds(done) - _seconds(connected), _seconds(connected) - begun
    return Drained(seconds, start_s, spent_s, peak, resident)


@contextmanager
def _worker(site: Path) -> Iterator[tuple[subprocess.Popen[bytes], queue.Queue[Event | None]]]:
    command = [sys.executable, "-m", "pipeline", "run", "--site", str(site)]
    process = subprocess.Popen(
        [*command, "--worker", STRUCTURE], cwd=ROOT, stderr=subprocess.PIPE, env=dict(os.environ)
    )
    events: queue.Queue[Event | None] = queue.Queue()
    reading = threading.Thread(target=_read_log, args=(process, events), daemon=True)
    reading.start()
    try:
        yield process, events
    finally:
        process.kill()
        process.wait()
        reading.join(5)


def _read_log(process: subprocess.Popen[bytes], events: queue.Queue[Event | None]) -> None:
    """Every line of the log as an event; None at its end."""
    assert process.stderr is not None
    for line in process.stderr:
        try:
            events.put(json.loads(line))
        except ValueError:
            events.put({"event": line.decode(errors="replace").rstrip()})
    process.stderr.close()
    events.put(None)


def _wait_event(
    events: queue.Queue[Event | None],
    process: subprocess.Popen[bytes],
    is_wanted: Callable[[Event], bool],
) -> Event:
    seen: deque[str] = deque(maxlen=_LINES_SHOWN)
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            event = events.get(timeout=max(0.01, deadline - time.monotonic()))
        except queue.Empty:
            event = None
        if event is None:
            story = "\n".join(seen)
            raise BenchmarkError(
                f"the worker (exit code {process.poll()}) did not get so far:\n{story}"
            )
        if is_wanted(event):
            return event
        seen.append(str(event))


def _is_connected(event: Event) -> bool:
    return str(event["event"]).startswith("mqtt_connected")


def _is_last_alarm(event: Event) -> bool:
    return event["event"] == "alarm changed" and event.get("alarm") == LAST_ALARM


def _seconds(event: Event) -> float:
    return datetime.fromisoformat(event["time"]).timestamp()


def _check(ledger: Path, backlog: Backlog) -> None:
    reader = open_reader(ledger)
    counters = reader.counters()
    entries = reader.journal(alarm=LAST_ALARM)
    reader.close()
    expected = {"messages": len(backlog.messages), "readings": backlog.readings}
    found = {name: counters.get(name, 0) for name in expected}
    if found != expected or counters.get("messages_refused") or counters.get("readings_refused"):
        raise BenchmarkError(f"the ledger counts {counters}, expected {expected} and no refusal")
    last_us = backlog.messages[-1].time_us
    raised = [e.facts for e in entries if e.facts.get("event") == "occurred"]
    if len(raised) != 1 or int(str(raised[0]["occurred_us"])) > last_us:
        raise BenchmarkError(f"{LAST_ALARM} was not raised once, by the last reading: {raised}")
