"""
The running worker's own figures: for ticks, the sign of life and the status topic.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pipeline import __version__
from pipeline.alarms.lifecycle import State
from pipeline.ingest.client import BrokerClient
from pipeline.notify.sign_of_life import LifeFacts, StandingAlarm
from pipeline.station.clock import Clock
from pipeline.station.clock_doubt import LastHour, clock_doubt
from pipeline.station.health import Measured, free_mb, station_faults
from pipeline.station.jobs import LAST_SEAL, Jobs
from pipeline.station.layout import Layout
from pipeline.station.machine import MachineState, Setup
from pipeline.station.sending import Sending
from pipeline.store.ledger import Ledger
from pipeline.store.spool import Spool

US = 1_000_000
# A step of the box's clock is shown as a fault for so long.
STEP_SHOWN_S = 600.0
# Figures that need the database are measured again after so long.
LOOK_EVERY_S = 10.0


@dataclass(frozen=True)
class Parts:
    """The parts of a worker that are measured."""

    setup: Setup
    layout: Layout
    clock: Clock
    spool: Spool
    ledger: Ledger
    client: BrokerClient
    sending: Sending
    jobs: Jobs
    restart: str
    """Why the worker was started again; empty after an ordinary start."""


class Figures:
    """
    Measures the parts; called by the main thread, `life` by the jobs as well.

    Args:
        parts: of the running worker.
        state: gives the machine's newest state.
        position: gives the position that was committed.
    """

    def __init__(
        self, parts: Parts, state: Callable[[], MachineState], position: Callable[[], int]
    ) -> None:
        self._parts = parts
        self._state = state
        self._position = position
        self._started = self._connected = time.monotonic()
        self._looked = float("-inf")
        self._unsent_us: int | None = None
        self._arrived = LastHour()
        self._doubt = ""
        self._step: tuple[float, float] | None = None
        self._refused: tuple[float, str] | None = None
        self._damage = ""
        self.faults: Mapping[str, str] = {}

    def note_step(self, step_us: int) -> None:
        """The box's clock was stepped by so much."""
        self._step = (time.monotonic(), step_us / US)

    def note_refusal(self, reason: str) -> None:
        """A message went to quarantine."""
        self._refused = (time.monotonic(), reason)

    def note_damage(self, detail: str) -> None:
        """A part of the spool cannot be read; the fault stands until the next start."""
        self._damage = detail

    def measure_faults(self) -> Mapping[str, str]:
        """Station faults that stand now; kept in `faults` for the sign of life."""
        self.faults = station_faults(self._measured(), self._parts.setup.site.storage)
        return self.faults

    def life(self) -> LifeFacts:
        """What the sign of life and the status topic say."""
        alarms = self._state().alarms
        number, head = self._parts.ledger.head()
        heard = alarms.points
        seal = self._parts.ledger.recall(LAST_SEAL)
        standing = tuple(
            StandingAlarm(
                record.alarm,
                record.priority,
                record.state.value,
                record.activations[-1].occurred_us if record.activations else 0,
            )
            for record in alarms.alarms.values()
            if record.state != State.NORMAL
        )
        return LifeFacts(
            heard_us={
                point.id: heard[point.id].heard_us if point.id in heard else None
                for point in self._parts.setup.structure.points
            },
            alarms=standing,
            last_seal_us=int(seal) if seal else None,
            backlog=self._backlog(),
            oldest_unsent_us=self._parts.ledger.oldest_unsent_us(),
            journal_number=number,
            journal_sha256=head,
            faults=dict(self.faults),
            version=__version__,
        )

    def _backlog(self) -> int:
        return max(0, self._parts.spool.next_position - self._position())

    def _measured(self) -> Measured:
        parts, now = self._parts, time.monotonic()
        if now - self._looked > LOOK_EVERY_S:
            self._looked = now
            self._unsent_us = parts.ledger.oldest_unsent_us()
            self._arrived.note(now, parts.ledger.counters())
            self._doubt = clock_doubt(
                self._arrived.arrivals(),
                self._state().newest_us,
                parts.clock.now_us(),
                parts.setup.site.storage,
            )
        client = parts.client.statistics()
        if client.is_connected:
            self._connected = now
        refused, step = self._refused, self._step
        failures = parts.jobs.scheduler.failures
        return Measured(
            free_mb=free_mb(parts.layout.home),
            broker_down_s=now - self._connected,
            broker_detail=(client.fault or "") if not client.is_connected else "",
            subscription_refused=(client.fault or "") if client.is_connected else "",
            broker_flapping=client.flapping or "",
            backlog_records=self._backlog(),
            unsent_s=_age_s(self._unsent_us, parts.clock.now_us()),
            sealed_s=now - parts.jobs.sealed_at,
            seal_detail=failures.get("seal", ""),
            clock_behind_s=parts.clock.behind_us() / US,
            clock_step_s=step[1] if step and now - step[0] < STEP_SHOWN_S else 0.0,
            clock_doubt=self._doubt,
            quarantined_s=now - refused[0] if refused else None,
            quarantined_reason=refused[1] if refused else "",
            spool_detail=self._damage,
            archive_detail=parts.jobs.damaged,
            restarted_s=now - self._started if parts.restart else None,
            restart_detail=parts.restart,
            receiver_dead=not (parts.client.is_alive() and parts.sending.is_alive()),
            job_detail=_job_detail(failures),
            undeliverable=parts.sending.undeliverable,
        )


def _job_detail(failures: Mapping[str, str]) -> str:
    """What the jobs but the seal, which has a fault of its own, failed of."""
    return "; ".join(f"{name}: {why}" for name, why in sorted(failures.items()) if name != "seal")


def _age_s(since_us: int | None, now_us: int) -> float | None:
    return None if since_us is None else (now_us - since_us) / US
