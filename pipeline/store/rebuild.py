"""
Rebuild: the chain that seals, run again over raw, window by window, and what that changes.

Of an undisturbed archive it gives the same bits; after a changed configuration, the new history.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from pipeline.blocks import RESULTS_SCHEMA, Ints, Readings, Results, concat_results
from pipeline.errors import StateVersionError, StorageError
from pipeline.store.archive import Archive, Status
from pipeline.store.content import column_sha256
from pipeline.store.derived import (
    Chain,
    Derived,
    Provenance,
    derive_window,
    mend_summary,
    store_results,
)
from pipeline.store.edges import entering_state, is_edge_stale
from pipeline.store.kept import KEPT_KEY
from pipeline.store.parquet import CONTENT_KEY

_FLOATS = tuple(f.name for f in RESULTS_SCHEMA if pa.types.is_floating(f.type))
_KEYS = ("point", "quantity", "time")


@dataclass(frozen=True)
class WindowRebuild:
    """How one window's rebuilt results compare with those stored."""

    window_us: int
    rows: int
    stored_rows: int
    is_equal: bool
    """Every column equal bit for bit, and the state at the end as well."""
    largest: Mapping[str, float] = field(default_factory=dict)
    """
    Largest absolute difference a float column, in the column's unit, over rows that are in both;
    infinite where one has a value and the other none. Columns without any are not named.
    """
    replaced: bool = False
    note: str = ""
    """Why there was nothing to compare with, or why it was left; empty otherwise."""


@dataclass(frozen=True)
class RebuildReport:
    """A rebuild's windows in the order in which they were done."""

    windows: tuple[WindowRebuild, ...]

    @property
    def is_equal(self) -> bool:
        """Whether every window gave what is stored, bit for bit."""
        return all(one.is_equal for one in self.windows)

    @property
    def largest(self) -> dict[str, float]:
        """Largest absolute difference a column over all windows."""
        names = {name for one in self.windows for name in one.largest}
        return {n: max(one.largest.get(n, 0.0) for one in self.windows) for n in sorted(names)}


def rebuild(
    archive: Archive,
    chain: Chain,
    provenance: Provenance,
    *,
    windows: Iterable[int] | None = None,
    dry_run: bool = False,
    progress: Callable[[WindowRebuild], None] | None = None,
) -> RebuildReport:
    """
    Derive windows anew from raw, compare with what is stored, replace what differs.

    Raw is only read. Final results that are replaced go to `superseded/`. Killed half-way, run it
    again: what is done is equal then.

    Args:
        archive: where; may be in use by a station, each window is locked for itself.
        chain: with the configuration to use.
        provenance: for the metadata.
        windows: which; None: all. Those after them follow as far as the edge state moves.
        dry_run: change nothing; only the windows asked for, each from the rebuilt one before it.
        progress: called after each window.

    Raises:
        StorageError: raw is damaged or missing, or a file cannot be written.
        StateVersionError: `windows` begin after one whose state is of another release.
    """
    queue = sorted(set(archive.windows() if windows is None else windows))
    done: list[WindowRebuild] = []
    last: tuple[int, str] | None = None
    while queue:
        window = heapq.heappop(queue)
        with archive.writing():
            state = _entering(archive, window, last if dry_run else None)
            one, state_out = _rebuild_window(archive, window, state, chain, provenance, dry_run)
        last = (window, state_out)
        done.append(one)
        if progress is not None:
            progress(one)
        following = archive.layout.following(window, "raw") if one.replaced else None
        if following is None or following in queue:
            continue
        if is_edge_stale(archive, following, chain):
            heapq.heappush(queue, following)
    return RebuildReport(tuple(done))


def _entering(archive: Archive, window: int, last: tuple[int, str] | None) -> str | None:
    if last is not None and archive.layout.preceding(window, "raw") == last[0]:
        return last[1]
    try:
        return entering_state(archive, window)
    except StorageError:
        if archive.layout.preceding(window, "results") is not None:
            raise
        return None  # its own file is damaged and nothing is before it: cold, as at first


def _rebuild_window(
    archive: Archive,
    window: int,
    state: str | None,
    chain: Chain,
    provenance: Provenance,
    dry_run: bool,
) -> tuple[WindowRebuild, str]:
    table, raw = archive.read(window, "raw")
    stored, metadata, note = _stored(archive, window)
    if raw["complete"] == "false" and stored is not None:
        rows = len(stored)
        left = "left as it is: retention removed raw that it was made from"
        return WindowRebuild(window, rows, rows, True, note=left), metadata["state_out"]
    readings = Readings(table)
    try:
        derived = derive_window(readings, raw[CONTENT_KEY], state, chain)
    except StateVersionError:
        if archive.layout.preceding(window, "results") is not None:
            raise
        note = "started cold: the state before it is of another release"
        derived = derive_window(readings, raw[CONTENT_KEY], None, chain)
    is_equal = stored is not None and _is_equal(stored, metadata, derived)
    if KEPT_KEY in metadata:
        note = f"has rows that an earlier configuration made, which go: {metadata[KEPT_KEY]}"
    status: Status = "final" if raw["status"] == "final" else "provisional"
    if not is_equal and not dry_run:
        store_results(archive, window, derived, provenance, status=status)
    elif not dry_run and mend_summary(archive, window, derived.results, provenance, status=status):
        note = "the summary was missing, damaged or another, and was made again"
    one = WindowRebuild(
        window,
        len(derived.results),
        0 if stored is None else len(stored),
        is_equal,
        {} if stored is None or is_equal else differences(stored, derived.results),
        not is_equal and not dry_run,
        note,
    )
    return one, derived.state_out


def _stored(archive: Archive, window: int) -> tuple[Results | None, dict[str, str], str]:
    if not archive.has(window, "results"):
        return None, {}, "no results were stored"
    try:
        table, metadata = archive.read(window, "results")
    except StorageError as error:
        return None, {}, f"stored results are not readable: {error}"
    return Results(table), metadata, ""


def _is_equal(stored: Results, metadata: Mapping[str, str], derived: Derived) -> bool:
    return (
        column_sha256(stored.table) == column_sha256(derived.results.table)
        and metadata["state_out"] == derived.state_out
        and metadata["raw_sha256"] == derived.raw_sha256
    )


def differences(a: Results, b: Results) -> dict[str, float]:
    """
    Largest absolute difference of each float column over the rows that both have.

    Rows belong together by point, quantity and time. Infinite where only one has a value; equal
    columns are not named.
    """
    rows_a, rows_b = _common_rows(a, b)
    largest = {}
    for name in _FLOATS:
        of_a = a.column(name).astype(np.float64)[rows_a]
        of_b = b.column(name).astype(np.float64)[rows_b]
        differs = ~((of_a == of_b) | (np.isnan(of_a) & np.isnan(of_b)))
        if differs.any():
            gap = np.abs(of_a[differs] - of_b[differs])
            largest[name] = float(np.where(np.isnan(gap), np.inf, gap).max())
    return largest


def _common_rows(a: Results, b: Results) -> tuple[Ints, Ints]:
    if all(a.table.column(name).equals(b.table.column(name)) for name in _KEYS):
        return np.arange(len(a)), np.arange(len(b))
    both = concat_results([a, b]).table
    key = np.stack([_codes(both.column(name)) for name in _KEYS])
    _, code = np.unique(key, axis=1, return_inverse=True)
    code = code.reshape(-1)
    _, rows_a, rows_b = np.intersect1d(code[: len(a)], code[len(a) :], return_indices=True)
    return rows_a, rows_b


def _codes(column: pa.ChunkedArray) -> Ints:
    if pa.types.is_dictionary(column.type):
        return np.asarray(column.unify_dictionaries().combine_chunks().indices, np.int64)
    return np.asarray(column.combine_chunks().cast(pa.int64()))
