"""
What the station does by the clock: seal, retention, sign of life, retained states.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from pipeline.notify.sign_of_life import LifeFacts, compose_sign_of_life, status_publication
from pipeline.notify.topics import Publication
from pipeline.station.deed import Deed
from pipeline.station.machine import Setup
from pipeline.station.scheduler import Scheduler
from pipeline.station.sealing import Sealer
from pipeline.store.archive import Archive
from pipeline.store.ledger import Ledger
from pipeline.store.retention import KeepDays, remove_expired
from pipeline.store.seal import SealOutcome

log = logging.getLogger("spanwarden.jobs")

US = 1_000_000
SEAL_SOON_S = 20.0
# Between a seal and an early one after it: a minute, and ten times what the seal took.
EARLY_SEALS_S = 60.0
EARLY_SEALS_SHARE = 10.0
RETENTION_EVERY_S = 6 * 3600.0
# Settled notices older than this go; the journal keeps that they were told.
OUTBOX_KEPT_DAYS = 90
LIFE_LOOK_S = 60.0
STATUS_EVERY_S = 60.0
STATUS_RETRY_S = 2.0
STANDING_EVERY_S = 900.0
# Local hour from which the day's sign of life goes out: a person is there to miss it.
LIFE_HOUR = 7
LIFE_DAY = "sign_of_life_day"
LAST_SEAL = "last_seal_us"


@dataclass(frozen=True)
class Links:
    """What the jobs need of the worker."""

    now_us: Callable[[], int]
    committed: Callable[[], int]
    hand_over: Callable[[Deed], None]
    find: Callable[[bytes], None]
    """Puts a finding into the spool."""
    publish: Callable[[Publication], bool]
    life: Callable[[], LifeFacts]
    standing: Callable[[int], list[Publication]]
    """Retained states of the alarms that are not normal."""
    life_day: str
    """Local day of the last sign of life."""


class Jobs:
    """
    The scheduled work of one structure.

    Args:
        setup: of the running configuration.
        sealer, archive, ledger: of the structure.
        links: to the worker.
    """

    def __init__(
        self, setup: Setup, sealer: Sealer, archive: Archive, ledger: Ledger, links: Links
    ) -> None:
        self._setup = setup
        self._sealer = sealer
        self._archive = archive
        self._ledger = ledger
        self._links = links
        self._handed: set[tuple[str, int]] = set()
        self._life_day = links.life_day
        self._damaged = ""
        self._lost: list[str] = []
        self._not_before = 0.0
        self.sealed_at = time.monotonic()
        every_s = setup.site.storage.seal_every_min * 60
        self.scheduler = Scheduler(
            {
                "seal": (every_s, self.seal),
                "retention": (RETENTION_EVERY_S, self.retain),
                "sign_of_life": (LIFE_LOOK_S, self.show_life),
                "status": (STATUS_EVERY_S, self.publish_status),
                "standing": (STANDING_EVERY_S, self.publish_standing),
            }
        )
        self.start = self.scheduler.start
        self.restart = self.scheduler.restart

    def stop(self, within_s: float) -> bool:
        """End; whether a job is still at work after `within_s`."""
        return self.scheduler.stop(within_s)

    def seal_soon(self) -> None:
        """Late readings came: do not wait for the next planned seal."""
        # A node that is out of order for good must not keep the station sealing all the time.
        pause_s = self._not_before - time.monotonic()
        self.scheduler.soon("seal", max(SEAL_SOON_S, pause_s))

    def seal(self) -> None:
        """Seal what was committed, and hand back what live evaluation had not found."""
        now_us, began = self._links.now_us(), time.monotonic()
        try:
            outcomes = self._sealer.seal(self._links.committed(), now_us)
        finally:
            self._tell_lost()
            took_s = time.monotonic() - began
            self._not_before = time.monotonic() + max(EARLY_SEALS_S, EARLY_SEALS_SHARE * took_s)
        for outcome in outcomes:
            self._tell_sealed(outcome)
        self.sealed_at = time.monotonic()
        self._ledger.remember(LAST_SEAL, str(now_us))

    def _tell_sealed(self, outcome: SealOutcome) -> None:
        log.info(
            "window sealed",
            extra={
                "window": datetime.fromtimestamp(outcome.window_us / US, UTC).isoformat(),
                "rows": outcome.rows,
                "added": outcome.added,
                "final": outcome.final,
            },
        )
        for found in self._sealer.findings(outcome):
            key = (found.alarm, found.occurred_us)
            if key not in self._handed:
                self._handed.add(key)
                self._links.find(json.dumps(found.to_facts()).encode())

    def _tell_lost(self) -> None:
        for facts in self._sealer.take_lost():
            log.error("raw made again", extra={"reason": facts["why"]})
            self._lost.append(
                f"{facts['file']} was lost or damaged ({facts['why']}) and was made again from the "
                f"spool{facts['kept_as'] and ', the damaged one is kept as '}{facts['kept_as']}. "
                "Look at the medium."
            )
            self._links.hand_over(Deed(journal=[("station", "", facts)]))

    def retain(self) -> None:
        """Remove what is older than the site keeps it; says so in the journal."""
        self._ledger.prune_outbox(self._links.now_us() - OUTBOX_KEPT_DAYS * 86_400 * US)
        storage = self._setup.site.storage
        keep = KeepDays(
            storage.keep_raw_days,
            storage.keep_results_days,
            storage.keep_summary_days,
            storage.keep_superseded_days,
        )
        retention = remove_expired(self._archive, keep, self._links.now_us())
        self._damaged = "; ".join(retention.damaged)
        if retention.removed:
            facts: dict[str, object] = {
                "event": "retention",
                "removed": [one.path.name for one in retention.removed],
            }
            self._links.hand_over(Deed(journal=[("station", "", facts)]))

    @property
    def damaged(self) -> str:
        """Files that retention finds damaged, and raw made again since the start, as one text."""
        return "; ".join([*self._lost, *([self._damaged] if self._damaged else [])])

    def show_life(self) -> None:
        """Once a local day: the sign of life, whose absence is what the receiver acts on."""
        now_us = self._links.now_us()
        local = datetime.fromtimestamp(now_us / US, ZoneInfo(self._setup.site.timezone))
        today = local.date().isoformat()
        if local.hour < LIFE_HOUR or self._life_day == today:
            return
        notices = compose_sign_of_life(
            self._setup.site, self._setup.structure, self._links.life(), now_us
        )
        facts: dict[str, object] = {"event": "sign of life", "day": today}
        self._links.hand_over(Deed([("station", "", facts)], notices, {LIFE_DAY: today}))
        self._life_day = today

    def publish_status(self) -> None:
        """The station's retained status, renewed well before it expires."""
        status = status_publication(
            self._setup.site, self._setup.structure, self._links.life(), self._links.now_us()
        )
        if not self._links.publish(status):
            # Not connected yet, or not any more: the last will says "offline" until this is out.
            self.scheduler.soon("status", STATUS_RETRY_S)

    def publish_standing(self) -> None:
        """The retained states of standing alarms, renewed well before they expire."""
        for publication in self._links.standing(self._links.now_us()):
            self._links.publish(publication)
