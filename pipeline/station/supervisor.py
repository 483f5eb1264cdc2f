"""
Keeps one worker process per structure running, and notices when one makes no progress.

Progress is a byte on a pipe for each tick that went through spool and machine, so a worker whose
threads live but do no work is found as well as a dead one.
"""

from __future__ import annotations

import logging
import os
import selectors
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import FrameType

log = logging.getLogger("spanwarden.supervisor")

STUCK_AFTER_S = 60.0
STOP_WITHIN_S = 5.0
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
# A worker that ran for so long was well: the next fall starts again with the first pause.
WELL_AFTER_S = 300.0
# So many falls in a row and people are told by the supervisor itself.
TELL_AFTER_FALLS = 3
TELL_AGAIN_S = 3600.0
PROGRESS_ENV = "SPANWARDEN_PROGRESS_FD"
RESTART_ENV = "SPANWARDEN_RESTART"


@dataclass
class Charge:
    """One worker in the supervisor's care."""

    structure: str
    process: subprocess.Popen[bytes] | None = None
    pipe: int = -1
    started: float = 0.0
    progressed: float = 0.0
    falls: int = 0
    start_at: float = 0.0
    last_fall: str = ""
    told_at: float = field(default=float("-inf"))


class Supervisor:
    """
    Runs workers until `stop` is called or a stop signal comes.

    Args:
        structures: ids, one worker each.
        command: the worker's command line for a structure.
        tell: called with (structure, text) when a worker cannot be kept running.
        stuck_after_s: no progress for so long and the worker is killed and started again.
    """

    def __init__(
        self,
        structures: Sequence[str],
        command: Callable[[str], Sequence[str]],
        tell: Callable[[str, str], None],
        stuck_after_s: float = STUCK_AFTER_S,
    ) -> None:
        self.charges = [Charge(structure) for structure in structures]
        self._command = command
        self._tell = tell
        self._stuck_after_s = stuck_after_s
        self._stopping = False
        self._selector = selectors.DefaultSelector()

    def stop(self, signum: int = 0, frame: FrameType | None = None) -> None:
        """Ask for an end; safe in a signal handler."""
        self._stopping = True

    def run(self) -> int:
        """Supervise until stopped; 0 when every worker left in time, 3 when one was killed."""
        signal.signal(signal.SIGTERM, self.stop)
        signal.signal(signal.SIGINT, self.stop)
        while not self._stopping:
            self.turn(0.2)
        return self._stop_all()

    def turn(self, wait_s: float) -> None:
        """Look once at every worker; waits at most `wait_s` for a sign of progress."""
        self._hear(wait_s)
        if not self._selector.get_map():
            time.sleep(min(wait_s, 0.1))
        for charge in self.charges:
            self._look_after(charge, time.monotonic())

    def _hear(self, wait_s: float) -> None:
        for key, _ in self._selector.select(wait_s):
            if os.read(key.fd, 4096):
                key.data.progressed = time.monotonic()
            else:
                self._selector.unregister(key.fd)

    def _look_after(self, charge: Charge, now: float) -> None:
        process = charge.process
        if process is None:
            if now >= charge.start_at and not self._stopping:
                self._start(charge, now)
            return
        status = process.poll()
        if status is not None:
            self._fell(charge, now, _words(status))
        elif now - charge.progressed > self._stuck_after_s:
            self._hear(0.0)  # this process may itself have been held up: what waits counts
            if now - charge.progressed > self._stuck_after_s:
                self._end_stuck(charge, process, now)

    def _end_stuck(self, charge: Charge, process: subprocess.Popen[bytes], now: float) -> None:
        process.kill()
        try:
            process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            # It hangs in the kernel, as with a dying disk: nobody can end it, people must know.
            why = "hangs in the system and cannot be ended"
            charge.progressed = now
            self._inform(charge, now, f"it {why}. Look at the disk, and restart the box")
            return
        self._fell(charge, now, f"made no progress for {self._stuck_after_s:.0f} s, killed")

    def _start(self, charge: Charge, now: float) -> None:
        read_end, write_end = os.pipe()
        environment = {**os.environ, PROGRESS_ENV: str(write_end)}
        environment.pop(RESTART_ENV, None)
        if charge.last_fall:
            environment[RESTART_ENV] = charge.last_fall
        charge.process = subprocess.Popen(
            list(self._command(charge.structure)), pass_fds=(write_end,), env=environment
        )
        os.close(write_end)
        charge.pipe, charge.started, charge.progressed = read_end, now, now
        self._selector.register(read_end, selectors.EVENT_READ, charge)
        log.info("worker started", extra={"structure": charge.structure, "pid": charge.process.pid})

    def _fell(self, charge: Charge, now: float, why: str) -> None:
        if charge.pipe in self._selector.get_map():
            self._selector.unregister(charge.pipe)
        os.close(charge.pipe)
        charge.process = None
        if now - charge.started > WELL_AFTER_S:
            charge.falls = 0
        charge.falls += 1
        pause = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** (charge.falls - 1))
        charge.start_at = now + pause
        charge.last_fall = f"the worker {why}; started again"
        log.error(
            "worker fell",
            extra={"structure": charge.structure, "why": why, "falls": charge.falls},
        )
        if charge.falls >= TELL_AFTER_FALLS:
            self._inform(charge, now, f"it {why}, {charge.falls} times in a row")

    def _inform(self, charge: Charge, now: float, why: str) -> None:
        """Tell people in a thread of its own: a dead mail server must not hold up the others."""
        if now - charge.told_at <= TELL_AGAIN_S:
            return
        charge.told_at = now
        text = (
            f"The worker of {charge.structure} cannot be kept running: {why}. Nothing is watched "
            "meanwhile. Look at the log and run `spanwarden doctor`."
        )
        threading.Thread(
            target=self._tell_safely, args=(charge.structure, text), daemon=True
        ).start()

    def _tell_safely(self, structure: str, text: str) -> None:
        try:
            self._tell(structure, text)
        except Exception:
            # The supervisor's edge: whatever is wrong with telling, the workers must go on.
            log.exception("people not told", extra={"structure": structure, "text": text})

    def _stop_all(self) -> int:
        running = [c.process for c in self.charges if c.process is not None]
        for process in running:
            process.terminate()
        deadline = time.monotonic() + STOP_WITHIN_S
        killed = 0
        for process in running:
            try:
                process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                killed += 1
        log.info("workers stopped", extra={"stopped": len(running) - killed, "killed": killed})
        return 3 if killed else 0


def worker_command(site_folder: str, structure: str) -> list[str]:
    """The command line of a worker: a fresh interpreter, never a fork."""
    return [sys.executable, "-m", "pipeline", "run", "--site", site_folder, "--worker", structure]


def _words(status: int) -> str:
    if status < 0:
        return f"was ended by {signal.Signals(-status).name}"
    return f"ended by itself with exit code {status}"
