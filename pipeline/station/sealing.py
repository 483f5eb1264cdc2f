"""
Moves readings from the spool into the archive, and lets the spool go when windows are final.

Reads the spool a second time rather than keeping readings in memory: a crash then costs nothing,
and merging the same readings again changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from pipeline import __version__
from pipeline.alarms.engine import Excursion, excursions
from pipeline.blocks import Readings, concat_readings, concat_results
from pipeline.errors import SpoolDamageError
from pipeline.ingest.gate import accept
from pipeline.site.derived_points import derived_units
from pipeline.site.models import Site
from pipeline.station.gates import Gates
from pipeline.station.machine import Setup
from pipeline.store.archive import Archive
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.ledger import Ledger
from pipeline.store.seal import Provenance, SealOutcome, seal_onward, seal_window
from pipeline.store.spool import RecordKind, Spool
from pipeline.store.summary import Interval

US = 1_000_000
FOREVER_US = 2**62
SEALED = "sealed_position"
OPEN_WINDOWS = "open_windows"
BATCH_RECORDS = 20_000
BATCH_BYTES = 8 << 20
# Readings taken into memory at once; about 100 MB.
READINGS_AT_ONCE = 2_000_000


@dataclass(frozen=True)
class OpenWindow:
    """A window that is not final: the first record with readings of it, and when the last came."""

    first_position: int
    received_us: int


class Sealer:
    """
    Seals one structure's windows from its spool; called by one thread at a time.

    Args:
        setup: of the running configuration; nothing of it is committed in the ledger yet.
        archive, spool, ledger: of the structure.
    """

    def __init__(self, setup: Setup, archive: Archive, spool: Spool, ledger: Ledger) -> None:
        self._setup = setup
        self._archive = archive
        self._spool = spool
        self._ledger = ledger
        self._chain = ChainOfPlan(setup.plan)
        self._gates = Gates(ledger, setup.gate)

    def seal(self, until: int, now_us: int) -> list[SealOutcome]:
        """
        Seal what the spool holds before position `until`; then final what is closed and settled.

        Args:
            until: the committed position: nothing is sealed that rules have not seen.
            now_us: station time.

        Returns:
            every window that was written, in order.

        Raises:
            StorageError, SealError: nothing was let go from the spool.
        """
        written: list[SealOutcome] = []
        start = max(int(self._ledger.recall(SEALED) or 0), self._spool.first_position)
        for position, fresh in self._fresh(start, until):
            written += seal_onward(
                self._archive, fresh, self._chain, self._provenance(now_us), self._keeps_final
            )
            self._ledger.remember(SEALED, str(position))
        written += self._finish(now_us)
        self._let_go()
        return written

    def findings(self, outcome: SealOutcome) -> tuple[Excursion, ...]:
        """Excursions over limits in a sealed window, with the end of the one before joined on."""
        longest_s = max((r.on_delay_s for r in self._setup.structure.rules), default=0.0)
        earlier = [w for w in self._archive.windows("results") if w < outcome.window_us]
        results = outcome.results
        if longest_s and earlier:
            before = self._archive.read_results(earlier[-1])
            tail = before.column("time").astype(np.int64) >= outcome.window_us - int(longest_s * US)
            results = concat_results([before.take(tail), results])
        return excursions(results, self._setup.rules)

    def _fresh(self, start: int, until: int) -> Iterator[tuple[int, Readings]]:
        """Readings of the spool from `start` to `until` in lots, each with the position after."""
        parts: list[Readings] = []
        position = start
        while position < until:
            gate, changes_at = self._gates.at(position)
            most = min(BATCH_RECORDS, (changes_at or until) - position, until - position)
            try:
                records = self._spool.read(position, max_records=most, max_bytes=BATCH_BYTES)
            except SpoolDamageError as damage:  # the worker has journalled it and gone on
                position = damage.resume_at
                continue
            if not records:
                break
            position = records[-1].position + 1
            messages = [r for r in records if r.kind == RecordKind.MESSAGE]
            if messages:
                readings = accept(messages, gate).readings
                self._note_windows(readings, messages[0].position, messages[-1].received_us)
                parts.append(readings)
            if sum(map(len, parts)) >= READINGS_AT_ONCE:
                yield position, concat_readings(parts)
                parts = []
        if position > start:
            yield position, concat_readings(parts)

    def _note_windows(self, readings: Readings, position: int, received_us: int) -> None:
        if not len(readings):
            return
        noted = self._open_windows()
        time = readings.column("time").astype(np.int64)
        for window in np.unique(self._archive.window_of(time)).tolist():
            known = noted.get(window)
            first = position if known is None else min(known.first_position, position)
            noted[window] = OpenWindow(first, received_us)
        self._note(noted)

    def _finish(self, now_us: int) -> list[SealOutcome]:
        storage = self._setup.site.storage
        noted = self._open_windows()
        written: list[SealOutcome] = []
        for window in sorted(noted):
            closed = self._archive.end_of(window) + int(storage.final_after_min * 60 * US)
            settled = noted[window].received_us + int(storage.settle_s * US)
            if now_us < max(closed, settled):
                continue
            if not self._archive.is_final(window):
                written.append(
                    seal_window(
                        self._archive,
                        window,
                        Readings.empty(),
                        self._chain,
                        self._provenance(now_us),
                        final=True,
                    )
                )
            del noted[window]
            self._note(noted)
        return written

    def _let_go(self) -> None:
        sealed = int(self._ledger.recall(SEALED) or 0)
        needed = [window.first_position for window in self._open_windows().values()]
        position = min([sealed, *needed])
        self._spool.drop_before(position)
        self._gates.forget_before(position)

    def _keeps_final(self, window_us: int) -> bool:
        """A window that was final stays so when late readings change it."""
        return self._archive.is_final(window_us)

    def _open_windows(self) -> dict[int, OpenWindow]:
        text = self._ledger.recall(OPEN_WINDOWS) or "{}"
        return {int(w): OpenWindow(*found) for w, found in json.loads(text).items()}

    def _note(self, windows: dict[int, OpenWindow]) -> None:
        listed = {str(w): [o.first_position, o.received_us] for w, o in windows.items()}
        self._ledger.remember(OPEN_WINDOWS, json.dumps(listed))

    def _provenance(self, now_us: int) -> Provenance:
        return provenance(self._setup.site, self._setup, now_us)


def provenance(site: Site, setup: Setup, now_us: int) -> Provenance:
    """Who made a sealed file: software, configuration and calibrations; and what was expected."""
    structure = setup.structure
    interval = {channel.id: channel.interval_s for channel in structure.channels}
    return Provenance(
        software=__version__,
        configuration_sha256=site.sha256,
        calibrations=tuple(sorted({c.id for c in structure.calibrations})),
        now_us=now_us,
        intervals=tuple(
            Interval(p.point, _us(p.valid_from), _us(p.valid_to), interval[p.channel])
            for p in structure.placements
        ),
        units=(*((p.id, p.unit) for p in structure.points), *derived_units(structure)),
    )


def _us(when: datetime | None) -> int:
    return FOREVER_US if when is None else round(when.timestamp() * US)
