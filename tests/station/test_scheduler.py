"""
The scheduler: a job that fails or hangs does not end the others, and a stepped clock restarts it.
"""

import threading
import time

import pytest

from pipeline.station.scheduler import JOB_DEFAULTS, Scheduler

pytestmark = pytest.mark.slow


def test_late_jobs_run_and_never_twice_at_once() -> None:
    """The defaults of the library, which drop a job that is a second late, are not used."""
    assert JOB_DEFAULTS == {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}


def test_a_failing_job_is_told_and_comes_again() -> None:
    """An exception becomes a failure by name; a later run that goes well takes it away."""
    runs = []
    twice = threading.Event()

    def job() -> None:
        runs.append(1)
        if len(runs) == 1:
            raise OSError("no space")
        twice.set()

    scheduler = Scheduler({"seal": (0.05, job)})
    scheduler.start()
    first = _wait(lambda: "seal" in scheduler.failures or twice.is_set())

    assert first
    assert twice.wait(5)
    assert _wait(lambda: not scheduler.failures)
    assert not scheduler.stop(2)


def test_stop_says_whether_a_job_is_still_at_work() -> None:
    """A job that does not end in time is reported, not waited for."""
    release, began = threading.Event(), threading.Event()

    def job() -> None:
        began.set()
        release.wait(10)

    scheduler = Scheduler({"long": (60.0, job)})
    scheduler.start()
    assert began.wait(5)

    assert scheduler.stop(0.1)
    release.set()


def test_a_restart_runs_every_job_again() -> None:
    """After a step of the clock nothing waits for times that were planned by the old one."""
    runs: list[float] = []
    scheduler = Scheduler({"hourly": (3600.0, lambda: runs.append(time.monotonic()))})
    scheduler.start()
    assert _wait(lambda: len(runs) == 1)
    scheduler.restart()

    assert _wait(lambda: len(runs) == 2)
    scheduler.stop(1)


def _wait(condition: object, timeout_s: float = 5.0) -> bool:
    pause = threading.Event()
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if condition():  # type: ignore[operator]
            return True
        pause.wait(0.01)
    return False
