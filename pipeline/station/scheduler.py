"""
The station's scheduler: late jobs run, overlapping ones wait, and a stepped clock restarts it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler import events
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

log = logging.getLogger("spanwarden.scheduler")

Job = Callable[[], None]

# None: however late a job is, it runs; the default drops one that is a second late.
JOB_DEFAULTS = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
STOP_POLL_S = 0.05


class Scheduler:
    """
    Runs jobs at intervals in UTC; each job asks the ledger what is to be done up to now.

    Args:
        jobs: by name: interval in seconds and the function. An exception that it raises is told
            through `failures` and does not end the schedule.
    """

    def __init__(self, jobs: dict[str, tuple[float, Job]]) -> None:
        self._jobs = jobs
        self._lock = threading.Lock()
        self._busy: set[str] = set()
        self.failures: dict[str, str] = {}
        """By job: why its last run failed; empty when all went well."""
        self._scheduler = self._make()

    def start(self) -> None:
        """Begin; every job runs once at once."""
        self._scheduler.start()

    def soon(self, name: str, delay_s: float) -> None:
        """Run a job within `delay_s`, not later than planned."""
        job = self._scheduler.get_job(name)
        when = datetime.now(UTC) + timedelta(seconds=delay_s)
        if job is not None and job.next_run_time is not None and job.next_run_time > when:
            job.modify(next_run_time=when)

    def restart(self) -> None:
        """Plan anew: after a step of the clock the old times are worth nothing."""
        self._scheduler.shutdown(wait=False)
        self._scheduler = self._make()
        self._scheduler.start()

    def stop(self, within_s: float) -> bool:
        """End; whether a job was still at work after `within_s`."""
        self._scheduler.shutdown(wait=False)
        pause = threading.Event()
        for _ in range(int(within_s / STOP_POLL_S)):
            if not self._busy:
                return False
            pause.wait(STOP_POLL_S)
        return bool(self._busy)

    def _make(self) -> BackgroundScheduler:
        scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults=JOB_DEFAULTS, executors={"default": ThreadPoolExecutor(4)}
        )
        for name, (every_s, job) in self._jobs.items():
            scheduler.add_job(
                self._run,
                "interval",
                args=(name, job),
                seconds=every_s,
                id=name,
                replace_existing=True,
                next_run_time=datetime.now(UTC),
            )
        scheduler.add_listener(
            self._heard, events.EVENT_JOB_MISSED | events.EVENT_JOB_MAX_INSTANCES
        )
        return scheduler

    def _run(self, name: str, job: Job) -> None:
        with self._lock:
            if name in self._busy:  # still at work for the scheduler before a restart
                return
            self._busy.add(name)
        try:
            job()
            self.failures.pop(name, None)
        except Exception as error:
            # The edge of the jobs: whatever went wrong becomes a station fault, not a dead job.
            self.failures[name] = f"{type(error).__name__}: {error}"
            log.exception("job failed", extra={"job": name})
        finally:
            with self._lock:
                self._busy.discard(name)

    def _heard(self, event: events.JobEvent) -> None:
        log.warning("job not run in time", extra={"job": event.job_id, "code": event.code})
