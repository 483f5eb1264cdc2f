"""
The supervisor: restarts what fell, kills what is stuck, tells when neither helps.
"""

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.station import supervisor as module
from pipeline.station.supervisor import PROGRESS_ENV, Supervisor

pytestmark = pytest.mark.slow

WORKING = """
import os, signal, sys, time
signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
fd = int(os.environ["SPANWARDEN_PROGRESS_FD"])
while True:
    os.write(fd, b".")
    time.sleep(0.02)
"""
STUCK = "import time; time.sleep(60)"
FALLING = "import sys; sys.exit(7)"
DEAF = WORKING.replace("lambda *_: sys.exit(0)", "signal.SIG_IGN")


def made(code: str, stuck_after_s: float = 5.0) -> tuple[Supervisor, list[tuple[str, str]]]:
    """A supervisor of one worker that runs `code`, and what it told."""
    told: list[tuple[str, str]] = []
    found = Supervisor(
        ["deck"],
        lambda structure: [sys.executable, "-c", code],
        lambda structure, text: told.append((structure, text)),
        stuck_after_s,
    )
    return found, told


def turn_until(
    supervisor: Supervisor, condition: Callable[[], bool], timeout_s: float = 15
) -> bool:
    """Turn until the condition holds."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        supervisor.turn(0.02)
        if condition():
            return True
    return False


def test_a_worker_that_is_killed_is_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """After SIGKILL a new process runs, and is told why it was started."""
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.01)
    supervisor, _ = made(WORKING)
    charge = supervisor.charges[0]
    assert turn_until(supervisor, lambda: charge.progressed > charge.started)
    first = charge.process
    assert first is not None
    first.kill()

    assert turn_until(supervisor, lambda: charge.process not in (None, first))
    assert "SIGKILL" in charge.last_fall
    assert supervisor._stop_all() == 0


def test_a_worker_without_progress_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that lives but shows no progress counts as fallen."""
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 30.0)
    supervisor, _ = made(STUCK, stuck_after_s=0.2)
    charge = supervisor.charges[0]

    assert turn_until(supervisor, lambda: charge.falls == 1)
    assert "made no progress" in charge.last_fall


def test_people_are_told_when_a_worker_cannot_be_kept_running(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """After three falls in a row somebody is told, once an hour and not at each fall."""
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.01)
    monkeypatch.setattr(module, "LONGEST_PAUSE_S", 0.02)
    supervisor, told = made(FALLING)
    charge = supervisor.charges[0]

    assert turn_until(supervisor, lambda: charge.falls >= 5 and bool(told))
    assert [structure for structure, _ in told] == ["deck"]
    assert "exit code 7" in told[0][1]
    assert "Nothing is watched" in told[0][1]


def test_a_worker_that_ignores_the_stop_is_killed_in_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The end comes within the promised time, and its exit code says that it was not clean."""
    monkeypatch.setattr(module, "STOP_WITHIN_S", 0.3)
    supervisor, _ = made(DEAF)
    charge = supervisor.charges[0]
    assert turn_until(supervisor, lambda: charge.progressed > charge.started)

    assert supervisor._stop_all() == 3


def test_sigterm_ends_a_real_supervisor(tmp_path: Path) -> None:
    """`run` leaves with 0 after SIGTERM when its worker leaves in time."""
    supervisor, _ = made(WORKING)
    kill = threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGTERM))
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    kill.start()
    try:
        assert supervisor.run() == 0
    finally:
        signal.signal(signal.SIGTERM, before[0])
        signal.signal(signal.SIGINT, before[1])
    assert PROGRESS_ENV not in os.environ


def test_a_slow_telling_holds_up_no_other_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """While people are told about one structure, the worker of another is not taken for stuck."""
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.01)
    monkeypatch.setattr(module, "LONGEST_PAUSE_S", 0.02)
    release, telling = threading.Event(), threading.Event()

    def tell(structure: str, text: str) -> None:
        telling.set()
        release.wait(20)

    codes = {"ill": FALLING, "well": WORKING}
    supervisor = Supervisor(
        list(codes), lambda structure: [sys.executable, "-c", codes[structure]], tell, 1.0
    )
    well = supervisor.charges[1]
    try:
        assert turn_until(supervisor, telling.is_set)
        turn_until(supervisor, lambda: False, timeout_s=1.5)

        assert well.falls == 0
    finally:
        release.set()
        supervisor._stop_all()


def test_a_telling_that_fails_does_not_end_the_supervisor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever goes wrong with telling, the workers are looked after."""
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.01)
    monkeypatch.setattr(module, "LONGEST_PAUSE_S", 0.02)

    def tell(structure: str, text: str) -> None:
        raise RuntimeError("no mail today")

    supervisor = Supervisor(["ill"], lambda s: [sys.executable, "-c", FALLING], tell, 5.0)

    assert turn_until(supervisor, lambda: supervisor.charges[0].falls >= 5)
