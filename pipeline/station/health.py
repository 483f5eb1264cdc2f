"""
What is measured about the station itself, and which of it is a fault.

Measured once, used by ticks, sign of life and `doctor`; thresholds stand here with their reason.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.site.models import Storage

US = 1_000_000
# A broker may restart; five minutes without it is worth a person's attention.
BROKER_DOWN_S = 300.0
# The consumer keeps up with any field rate; so much unread means that it does not.
BACKLOG_RECORDS = 200_000
# A notice that waits for so long was not delivered by any delivery of its person.
UNSENT_S = 900.0
# Three seal periods without a seal that went well.
SEAL_PERIODS = 3.0
# For so long after a restart that nobody asked for, the fault stands.
RESTART_SHOWN_S = 600.0
# A refused message is shown as a fault for so long after it came.
QUARANTINE_SHOWN_S = 3600.0


@dataclass(frozen=True)
class Measured:
    """The station's own figures at one moment; seconds since, None for never or not known."""

    free_mb: float
    broker_down_s: float = 0.0
    broker_detail: str = ""
    subscription_refused: str = ""
    broker_flapping: str = ""
    backlog_records: int = 0
    unsent_s: float | None = None
    sealed_s: float | None = None
    seal_detail: str = ""
    clock_behind_s: float = 0.0
    clock_step_s: float = 0.0
    clock_doubt: str = ""
    quarantined_s: float | None = None
    quarantined_reason: str = ""
    spool_detail: str = ""
    archive_detail: str = ""
    restarted_s: float | None = None
    restart_detail: str = ""
    receiver_dead: bool = False
    job_detail: str = ""
    undeliverable: dict[str, str] = field(default_factory=dict)


def station_faults(measured: Measured, storage: Storage) -> dict[str, str]:
    """
    Faults that stand now: name to what a person should read.

    Args:
        measured: the station's figures.
        storage: limits that the site states itself.
    """
    m = measured
    found = {
        "disk_low": m.free_mb < storage.minimum_free_mb
        and f"{m.free_mb:.0f} MB free, {storage.minimum_free_mb:.0f} MB wanted. Make room or "
        "move the data folder; ingest goes on until the disk is full.",
        "broker_down": m.broker_down_s > BROKER_DOWN_S
        and f"no connection to the broker for {m.broker_down_s:.0f} s {m.broker_detail}".strip()
        + ". Run `spanwarden doctor`.",
        "subscription_refused": m.subscription_refused
        and f"the broker refuses the subscription: {m.subscription_refused}. Check its rights.",
        "broker_flapping": m.broker_flapping,
        "receiver_dead": m.receiver_dead
        and "the receiving threads have ended; the supervisor will restart the worker.",
        "backlog": m.backlog_records > BACKLOG_RECORDS
        and f"{m.backlog_records} records wait to be evaluated; the box does not keep up.",
        "notice_undeliverable": _undeliverable(m),
        "seal_late": _seal_late(m, storage),
        "job_failed": m.job_detail,
        "spool_damaged": m.spool_detail,
        "archive_damaged": m.archive_detail,
        "clock": _clock(m),
        "quarantine": m.quarantined_s is not None
        and m.quarantined_s < QUARANTINE_SHOWN_S
        and f"a message was refused {m.quarantined_s:.0f} s ago: {m.quarantined_reason}. "
        "See `spanwarden doctor`.",
        "worker_restarted": m.restarted_s is not None
        and m.restarted_s < RESTART_SHOWN_S
        and m.restart_detail,
    }
    return {name: detail for name, detail in found.items() if detail}


def _undeliverable(m: Measured) -> str:
    if m.undeliverable:
        return "; ".join(f"{name}: {detail}" for name, detail in sorted(m.undeliverable.items()))
    if m.unsent_s is not None and m.unsent_s > UNSENT_S:
        return f"a notice has waited {m.unsent_s:.0f} s to be delivered."
    return ""


def _seal_late(m: Measured, storage: Storage) -> str:
    if m.seal_detail:
        return m.seal_detail
    if m.sealed_s is not None and m.sealed_s > SEAL_PERIODS * storage.seal_every_min * 60:
        return f"the last seal that went well was {m.sealed_s / 60:.0f} min ago."
    return ""


def _clock(m: Measured) -> str:
    if m.clock_behind_s > 2.0:
        return (
            f"the box's clock is {m.clock_behind_s:.0f} s behind what the station has already "
            "written down; the station goes on by its own. Set the clock."
        )
    if m.clock_doubt:
        return m.clock_doubt
    if m.clock_step_s:
        return (
            f"the box's clock was stepped by {m.clock_step_s:+.0f} s. Check time synchronisation."
        )
    return ""


def free_mb(folder: Path) -> float:
    """Free space for this user on the disk of `folder` [MB]; the folder must exist."""
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize / 1e6
