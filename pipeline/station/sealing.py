"""
Moves readings from the spool into the archive, and lets the spool go when windows are final.

Reads the spool a second time rather than keeping readings in memory: a crash then costs nothing,
and merging the same readings again changes nothing.
"""

from __future__ import annotations

import errno
import json
from collections.abc import Iterator
from dataclasses import astuple, dataclass, replace
from datetime import UTC, datetime

import numpy as np

from pipeline import __version__
from pipeline.alarms.engine import Excursion, excursions
from pipeline.blocks import Readings, concat_readings, concat_results
from pipeline.errors import SpoolDamageError, StorageError
from pipeline.ingest.gate import accept
from pipeline.site.derived_points import derived_units
from pipeline.site.models import Site
from pipeline.station.gates import Gates
from pipeline.station.machine import Setup
from pipeline.store.archive import Archive
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.layout import KINDS
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
    is_whole: bool = False
    """The spool holds all of it: it had no file in the archive when the first record came."""


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
        self._lost: list[dict[str, object]] = []

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
        sealed = int(self._ledger.recall(SEALED) or 0)
        for window, noted in self._open_windows().items():
            is_sealed = noted.is_whole and noted.first_position < sealed
            if is_sealed and not self._archive.has(window, "raw"):
                self._start_again(window, noted, "the file is missing", now_us)
        try:
            self._seal(until, now_us, written)
        except StorageError:
            if not self._start_damaged_again(now_us):
                raise
            self._seal(until, now_us, written)
        return written

    def take_lost(self) -> list[dict[str, object]]:
        """Raw files lost or damaged since the call before and made again, for the journal."""
        lost, self._lost = self._lost, []
        return lost

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

    def _seal(self, until: int, now_us: int, written: list[SealOutcome]) -> None:
        start = max(int(self._ledger.recall(SEALED) or 0), self._spool.first_position)
        for position, fresh in self._fresh(start, until):
            written += seal_onward(
                self._archive, fresh, self._chain, self._provenance(now_us), self._keeps_final
            )
            self._ledger.remember(SEALED, str(position))
        self._finish(now_us, written)
        self._let_go()

    def _start_damaged_again(self, now_us: int) -> bool:
        """Whether raw of an open window is damaged that the spool can give again."""
        found = False
        for window, noted in self._open_windows().items():
            if not noted.is_whole or not self._archive.has(window, "raw"):
                continue
            try:
                self._archive.read_raw(window)
            except StorageError as error:
                if _is_damage(error):
                    self._start_again(window, noted, str(error), now_us)
                    found = True
        return found

    def _start_again(self, window: int, noted: OpenWindow, why: str, now_us: int) -> None:
        kept = self._archive.set_aside(window, now_us)
        sealed = int(self._ledger.recall(SEALED) or 0)
        self._ledger.remember(SEALED, str(min(sealed, noted.first_position)))
        self._lost.append(
            {
                "event": "raw made again",
                "window": datetime.fromtimestamp(window / US, UTC).isoformat(),
                "file": str(self._archive.layout.path(window, "raw")),
                "why": why,
                "kept_as": "" if kept is None else str(kept),
                "from": noted.first_position,
            }
        )

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
            if known is None:
                is_new = not any(self._archive.has(window, kind) for kind in KINDS)
                known = OpenWindow(position, received_us, is_new)
            noted[window] = replace(
                known,
                first_position=min(known.first_position, position),
                received_us=max(known.received_us, received_us),
            )
        self._note(noted)

    def _finish(self, now_us: int, written: list[SealOutcome]) -> None:
        storage = self._setup.site.storage
        noted = self._open_windows()
        for window in sorted(noted):
            closed = self._archive.end_of(window) + int(storage.final_after_min * 60 * US)
            settled = noted[window].received_us + int(storage.settle_s * US)
            if now_us < max(closed, settled):
                continue
            if self._archive.is_final(window):
                # The spool lets go of it now: the file must hold, not only say so.
                self._archive.read_raw(window)
            else:
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
        listed = {str(w): astuple(o) for w, o in windows.items()}
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


def _is_damage(error: StorageError) -> bool:
    """Whether a file is at fault, and not the system for the moment (rights, memory, files)."""
    cause = error.__cause__
    return not isinstance(cause, OSError) or cause.errno in (None, 0, errno.EIO)


def _us(when: datetime | None) -> int:
    return FOREVER_US if when is None else round(when.timestamp() * US)
