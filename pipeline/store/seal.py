"""
Seal: merge readings into their window's raw file, run the chain over the whole window, replace.

Order on disk: raw, results, summary, and the final mark on raw last of all. A kill anywhere leaves
whole files; the next seal of the window finds what is older than its source and does it again.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.blocks import READINGS_SCHEMA, Readings, Results, concat_readings, dedupe_readings
from pipeline.store.archive import Archive, Status
from pipeline.store.content import column_sha256, content_sha256, storable
from pipeline.store.derived import (
    Chain,
    Provenance,
    derive_window,
    edge_distance,
    is_within_tolerance,
    store_raw,
    store_results,
    store_summary,
)
from pipeline.store.edges import (
    entering_state,
    is_edge_stale,
    note_finished,
    note_unfinished,
    stale_windows,
    unfinished_from,
)
from pipeline.store.kept import KEPT_KEY, Kept, kept_rows
from pipeline.store.parquet import CONTENT_KEY

__all__ = ["Chain", "Provenance", "SealOutcome", "seal_onward", "seal_window"]


@dataclass(frozen=True)
class SealOutcome:
    """What a seal did to one window."""

    window_us: int
    """Start of the window."""
    rows: int
    """Readings in its raw file now."""
    added: int
    """How many of them were not there before."""
    changed: bool
    """Whether readings or results differ from those stored before."""
    final: bool
    results: Results
    """Of the whole window, as stored."""
    edge_moved_um_m: float
    """How far the state at its end moved against the one stored before; infinite for the first."""


@dataclass(frozen=True)
class _Before:
    """A window as a seal finds it."""

    readings: Readings
    raw: dict[str, str]
    results: dict[str, str]

    @classmethod
    def of(cls, archive: Archive, window_us: int) -> _Before:
        has_raw = archive.has(window_us, "raw")
        table, raw = archive.read(window_us, "raw") if has_raw else (None, {})
        readings = Readings.empty() if table is None else Readings(table)
        return cls(readings, raw, archive.metadata(window_us, "results"))

    @property
    def is_final(self) -> bool:
        """Once final always final, also between the steps of a seal that was killed."""
        return "final" in (self.raw.get("status"), self.results.get("status"))

    @property
    def is_complete(self) -> bool:
        """False: retention removed the raw from which the stored results were made."""
        return self.raw["complete"] == "true" if self.raw else not self.results


@dataclass(frozen=True)
class _Task:
    """One window to seal, as it was found, and with what."""

    archive: Archive
    window_us: int
    before: _Before
    chain: Chain
    provenance: Provenance


def seal_window(
    archive: Archive,
    window_us: int,
    fresh: Readings,
    chain: Chain,
    provenance: Provenance,
    *,
    final: bool,
) -> SealOutcome:
    """
    Merge readings into one window and make its results and summary anew where that changes them.

    Sealing the same again writes nothing. A window that was final stays final, and what it held
    goes to `superseded/`; rows of a point that the configuration has lost since stay in it, until
    `rebuild`. Where retention has removed the window's raw, late readings are stored
    and the results stay, since they cannot be made again. Those that follow are for `seal_onward`.

    Args:
        archive: where.
        window_us: start of the window.
        fresh: readings of this window in order of arrival, repeats allowed; may be empty.
        chain: makes results of the whole window.
        provenance: for the metadata.
        final: the window is closed and settled.

    Raises:
        ValueError: a reading is not of this window.
        SealError: a file does not read back equal; the old one stands.
        StorageError: a file cannot be read or written.
        StateVersionError: the state at the window's start is of another release; raw is stored.
    """
    if (archive.window_of(fresh.column("time").astype(np.int64)) != window_us).any():
        raise ValueError(f"readings outside the window that starts at {window_us} µs")
    with archive.writing():
        before = _Before.of(archive, window_us)
        if not len(fresh) and not before.raw:
            return SealOutcome(window_us, 0, 0, False, before.is_final, Results.empty(), 0.0)
        return _seal(_Task(archive, window_us, before, chain, provenance), fresh, final)


def seal_onward(
    archive: Archive,
    fresh: Readings,
    chain: Chain,
    provenance: Provenance,
    final_of: Callable[[int], bool],
) -> list[SealOutcome]:
    """
    Seal every window that has fresh readings, and those after it as far as the edge state moves.

    Also finishes what an earlier call left when it was killed. Windows without fresh readings and
    with an unmoved edge are not touched, also when `final_of` says final: use `seal_window`.

    Args:
        archive: where.
        fresh: readings of any windows in order of arrival.
        chain: makes results.
        provenance: for the metadata.
        final_of: whether the window with this start is closed and settled.

    Returns:
        An outcome a window, in order of time. Errors as `seal_window`; windows before are sealed.
    """
    window_of_row = archive.window_of(fresh.column("time").astype(np.int64))
    due = {int(window) for window in np.unique(window_of_row)}
    since = unfinished_from(archive)
    if since is not None:
        due |= set(stale_windows(archive, since, chain))
    queue = sorted(due)
    outcomes = []
    while queue:
        window = heapq.heappop(queue)
        following = archive.layout.following(window, "raw")
        if following is not None:
            note_unfinished(archive, [window])
        batch = fresh.take(window_of_row == window)
        final = final_of(window)
        outcomes.append(seal_window(archive, window, batch, chain, provenance, final=final))
        if (
            following is not None
            and following not in queue
            and is_edge_stale(archive, following, chain)
        ):
            heapq.heappush(queue, following)
    note_finished(archive)
    pa.default_memory_pool().release_unused()
    return outcomes


def _seal(task: _Task, fresh: Readings, final: bool) -> SealOutcome:
    before = task.before
    readings, raw_sha256 = _merged(before, fresh)
    status: Status = "final" if final or before.is_final else "provisional"
    raw_changed = raw_sha256 != before.raw.get(CONTENT_KEY)
    if raw_changed:
        _store_raw(task, readings, "provisional")
    results, moved = _seal_results(task, readings, raw_sha256, status)
    if status == "final" and (raw_changed or before.raw.get("status") != "final"):
        _store_raw(task, readings, "final")
    content = task.archive.metadata(task.window_us, "results")[CONTENT_KEY]
    return SealOutcome(
        window_us=task.window_us,
        rows=len(readings),
        added=len(readings) - len(before.readings),
        changed=raw_changed or content != before.results.get(CONTENT_KEY),
        final=status == "final",
        results=results,
        edge_moved_um_m=moved,
    )


def _merged(before: _Before, fresh: Readings) -> tuple[Readings, str]:
    if not len(fresh):
        return before.readings, before.raw[CONTENT_KEY]
    # What is stored came first: among rows alike in all else it must stay in front.
    merged = dedupe_readings(concat_readings([before.readings, fresh]))
    rows = storable(merged.table, READINGS_SCHEMA)
    return Readings(rows), content_sha256(column_sha256(rows))


def _store_raw(task: _Task, readings: Readings, status: Status) -> None:
    store_raw(
        task.archive,
        task.window_us,
        readings,
        task.provenance,
        status=status,
        is_complete=task.before.is_complete,
    )


def _seal_results(
    task: _Task, readings: Readings, raw_sha256: str, status: Status
) -> tuple[Results, float]:
    """Results as stored afterwards, and how far the state at the window's end moved [µm/m]."""
    archive, window, stored = task.archive, task.window_us, task.before.results
    state = entering_state(archive, window)
    cannot_again = bool(stored) and not task.before.is_complete
    if cannot_again or _is_current(task, raw_sha256, state, status):
        results = archive.read_results(window)
        kept: Status = "final" if stored["status"] == "final" else "provisional"
        store_summary(archive, window, results, task.provenance, status=kept)
        return results, 0.0
    derived = derive_window(readings, raw_sha256, state, task.chain)
    lasting = _kept(task, derived.results)
    results = store_results(archive, window, derived, task.provenance, status=status, kept=lasting)
    moved = edge_distance(stored.get("state_out"), derived.state_out, task.chain)
    return results, moved


def _kept(task: _Task, derived: Results) -> Kept | None:
    stored = task.before.results
    today = task.provenance.configuration_sha256
    is_same = stored.get("configuration_sha256") == today and KEPT_KEY not in stored
    if stored.get("status") != "final" or is_same:
        return None
    return kept_rows(task.archive.read_results(task.window_us), stored, derived, today)


def _is_current(task: _Task, raw_sha256: str, state: str | None, status: Status) -> bool:
    stored = task.before.results
    if stored.get("raw_sha256") != raw_sha256:
        return False
    if stored["status"] == "final":
        # A changed configuration alone is for `rebuild`: a repeat must not stir up the past.
        return is_within_tolerance(edge_distance(stored.get("state_in"), state, task.chain))
    return (
        status == "provisional"
        and stored.get("state_in") == state
        and stored["configuration_sha256"] == task.provenance.configuration_sha256
        and stored["software"] == task.provenance.software
    )
