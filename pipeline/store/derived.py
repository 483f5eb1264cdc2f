"""
What is derived from a window's raw, and how each file of a window is described in its metadata.

`Chain` is all that the archive knows of the chain: readings and state in, results and state out.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol

from pipeline.blocks import RESULTS_SCHEMA, Readings, Results, sort_results
from pipeline.errors import StateVersionError, StorageError
from pipeline.store.archive import Archive, Status
from pipeline.store.content import column_sha256, storable, text_sha256
from pipeline.store.kept import KEPT_KEY, Kept, with_kept
from pipeline.store.parquet import CONTENT_KEY
from pipeline.store.summary import SUMMARY_SCHEMA, Interval, summarise

# Below this a moved edge cannot change a result by what anybody could read (design, principle 7).
EDGE_TOLERANCE_UM_M = 0.001


class Chain(Protocol):
    """The chain with its configuration bound; pure, its states are JSON texts."""

    def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
        """Results of a whole window from the state at its start (None: cold), and the state after.

        Raises StateVersionError for a state that this release cannot read.
        """

    def distance(self, a: str, b: str) -> float:
        """Most by which starting from `a` rather than `b` can move any result [µm/m]."""


@dataclass(frozen=True)
class Provenance:
    """What a file says about how it came to be."""

    software: str
    configuration_sha256: str
    calibrations: tuple[str, ...]
    now_us: int
    """Time of the seal [µs since 1970 UTC]; names what it supersedes."""
    intervals: tuple[Interval, ...] = ()
    """Expected distance of rows a point; without it completeness is null."""
    units: tuple[tuple[str, str], ...] = ()
    """Point and the unit of its `value`."""


@dataclass(frozen=True)
class Derived:
    """What the chain made of a whole window, in storable form, between two edge states."""

    results: Results
    raw_sha256: str
    state_in: str | None
    state_out: str


def derive_window(readings: Readings, raw_sha256: str, state: str | None, chain: Chain) -> Derived:
    """Run the chain over a window's readings; results sorted by point and time, never NaN."""
    results, state_out = chain.run(readings, state)
    rows = storable(sort_results(results).table, RESULTS_SCHEMA)
    return Derived(Results(rows), raw_sha256, state, state_out)


def edge_distance(a: str | None, b: str | None, chain: Chain) -> float:
    """Distance of two edge states [µm/m]; infinite where one is missing or of another version."""
    if a == b:
        return 0.0
    if a is None or b is None:
        return float("inf")
    try:
        return chain.distance(a, b)
    except StateVersionError:
        return float("inf")


def is_within_tolerance(distance_um_m: float) -> bool:
    """Whether a window may stay as it is although its edge moved so far; NaN: it may not."""
    return distance_um_m <= EDGE_TOLERANCE_UM_M


def store_raw(
    archive: Archive,
    window_us: int,
    readings: Readings,
    provenance: Provenance,
    *,
    status: Status,
    is_complete: bool,
) -> None:
    """Write a window's raw file; not complete: retention had removed readings before."""
    metadata = _description(provenance, status) | {"complete": str(is_complete).lower()}
    archive.write(window_us, "raw", readings.table, metadata, revised_us=provenance.now_us)


def store_results(
    archive: Archive,
    window_us: int,
    derived: Derived,
    provenance: Provenance,
    *,
    status: Status,
    kept: Kept | None = None,
) -> Results:
    """Write a window's results with the edge states, then its summary; the results as stored."""
    units = dict(provenance.units)
    if kept is not None:
        units = {**dict(kept.units), **units}
    metadata = _description(provenance, status) | {
        "raw_sha256": derived.raw_sha256,
        "units": json.dumps(units, ensure_ascii=False),
        "state_in_sha256": text_sha256(derived.state_in),
        "state_out": derived.state_out,
        "state_out_sha256": text_sha256(derived.state_out),
    }
    if derived.state_in is not None:
        metadata["state_in"] = derived.state_in
    results = derived.results
    if kept is not None and kept.pairs:
        metadata[KEPT_KEY] = json.dumps(kept.pairs, ensure_ascii=False)
        results = with_kept(results, kept)
    rows = archive.write(
        window_us, "results", results.table, metadata, revised_us=provenance.now_us
    )
    store_summary(archive, window_us, Results(rows), provenance, status=status)
    return Results(rows)


def store_summary(
    archive: Archive, window_us: int, results: Results, provenance: Provenance, *, status: Status
) -> None:
    """Write a window's summary unless the one there is of these results and this status."""
    of_results = archive.metadata(window_us, "results")[CONTENT_KEY]
    if _is_summary_of(archive, window_us, of_results, status):
        return
    table = summarise(results, provenance.intervals)
    metadata = _description(provenance, status) | {"results_sha256": of_results}
    archive.write(window_us, "summary", table, metadata, revised_us=provenance.now_us)


def mend_summary(
    archive: Archive, window_us: int, results: Results, provenance: Provenance, *, status: Status
) -> bool:
    """Write a window's summary if it is missing, damaged or another; whether that was so."""
    table = storable(summarise(results, provenance.intervals), SUMMARY_SCHEMA)
    try:
        if column_sha256(archive.read(window_us, "summary")[0]) == column_sha256(table):
            return False
    except StorageError:
        pass  # missing or damaged: it is made again
    of_results = archive.metadata(window_us, "results")[CONTENT_KEY]
    metadata = _description(provenance, status) | {"results_sha256": of_results}
    archive.write(window_us, "summary", table, metadata, revised_us=provenance.now_us)
    return True


def _is_summary_of(archive: Archive, window_us: int, of_results: str, status: Status) -> bool:
    try:
        found = archive.metadata(window_us, "summary")
    except StorageError:
        return False  # damaged: it is made again
    return found.get("results_sha256") == of_results and found["status"] == status


def _description(provenance: Provenance, status: Status) -> dict[str, str]:
    sealed = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=provenance.now_us)
    return {
        "software": provenance.software,
        "configuration_sha256": provenance.configuration_sha256,
        "calibrations": json.dumps(provenance.calibrations, ensure_ascii=False),
        "sealed": sealed.isoformat(),
        "status": status,
    }
