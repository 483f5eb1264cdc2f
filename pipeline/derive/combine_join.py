"""
Strains of several points joined in time, with the sources of their uncertainty.

A row is made at every time at which one of the points has a reading. The others stand with their
last reading that is not from the future and not older than the stated age, a failed one included:
no older good value is put in its place. What a later block can need of a point is its last row.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, Bools, Floats, Ints
from pipeline.derive.assemble import Part
from pipeline.derive.block import Tests
from pipeline.derive.combine_sources import Source, Sources, strain_sources
from pipeline.derive.combine_state import CarriedRow
from pipeline.derive.correction import MICRO


@dataclass(frozen=True, eq=False)
class PointRows:
    """Rows of one point, ascending in time, shape (n,)."""

    time: Ints
    strain: Floats
    """Of the watched kind [m/m]; NaN where the reading failed."""
    flag: Ints
    tests: Tests
    sources: Sources

    def __len__(self) -> int:
        return len(self.time)

    def last(self) -> CarriedRow:
        """What a later block can need."""
        strain = float(self.strain[-1])
        known = {
            name: (source.freedom, tuple(source.amounts[-1].tolist()))
            for name, source in self.sources.items()
            if np.isfinite(source.amounts[-1]).all() and source.amounts[-1].any()
        }
        return CarriedRow(
            int(self.time[-1]),
            strain if np.isfinite(strain) else None,
            int(self.flag[-1]),
            int(self.tests[-1]),
            known if np.isfinite(strain) else {},
        )


@dataclass(frozen=True, eq=False)
class JoinedRows:
    """Strains of k points at n times; a row is whole where every one of them has a number."""

    time: Ints
    strain: Floats
    """[m/m], shape (n, k); NaN where a point failed or is missing."""
    flag: Ints
    """The worst of the points'; 9 where one is missing, 4 where one failed."""
    tests: Tests
    """The points' tests together."""
    sources: Mapping[str, tuple[Floats, float]]
    """By name: amounts of each point, shape (n, k, m), and degrees of freedom."""

    def __len__(self) -> int:
        return len(self.time)

    @property
    def is_whole(self) -> Bools:
        """Rows of which everything is known, shape (n,)."""
        return np.asarray(np.isfinite(self.strain).all(axis=1))

    def take(self, rows: Bools) -> JoinedRows:
        """The rows under a mask."""
        sources = {name: (amounts[rows], nu) for name, (amounts, nu) in self.sources.items()}
        return JoinedRows(
            self.time[rows], self.strain[rows], self.flag[rows], self.tests[rows], sources
        )


def point_rows(part: Part) -> PointRows:
    """
    Finished rows of one strain gauge as rows of its point.

    Raises:
        ValueError: the part has no segment, or is not of a strain gauge.
    """
    block, segment = part.block, part.segment
    if segment is None:
        raise ValueError(f'rows of point "{part.point}" came without their segment')
    return PointRows(
        block.time,
        block["value"] / MICRO,
        block["flag"].astype(np.int64),
        block.tests,
        strain_sources(block, segment, part.point),
    )


def carried_rows(row: CarriedRow) -> PointRows:
    """A remembered row as the first of its point."""
    return PointRows(
        np.array([row.time], np.int64),
        np.array([np.nan if row.strain is None else row.strain]),
        np.array([row.flag], np.int64),
        np.array([row.tests], np.int32),
        {name: Source(np.array([a]), nu) for name, (nu, a) in row.sources.items()},
    )


def merged_rows(parts: Sequence[PointRows]) -> PointRows:
    """Rows of one point from several gauges and segments; of two at one time the later part's."""
    if len(parts) == 1:
        return parts[0]
    time = np.concatenate([part.time for part in parts])
    order = np.argsort(time, kind="stable")
    last = np.ones(len(time), bool)
    last[:-1] = time[order][1:] != time[order][:-1]
    order = order[last]
    return PointRows(
        time[order],
        np.concatenate([part.strain for part in parts])[order],
        np.concatenate([part.flag for part in parts])[order],
        np.concatenate([part.tests for part in parts])[order],
        {name: source.take(order) for name, source in _stacked(parts).items()},
    )


def _stacked(parts: Sequence[PointRows]) -> dict[str, Source]:
    """Sources of all parts; 0 where a part has not the source."""
    found: dict[str, Source] = {}
    for name in dict.fromkeys(name for part in parts for name in part.sources):
        known = next(part.sources[name] for part in parts if name in part.sources)
        # A calibration that was corrected may have more coefficients than what was remembered.
        width = max(p.sources[name].amounts.shape[1] for p in parts if name in p.sources)
        amounts = np.zeros((sum(map(len, parts)), width))
        start = 0
        for part in parts:
            if name in part.sources:
                own = part.sources[name].amounts
                amounts[start : start + len(part), : own.shape[1]] = own
            start += len(part)
        found[name] = Source(amounts, known.freedom)
    return found


def joined_rows(points: Sequence[PointRows | None], time: Ints, age_us: int) -> JoinedRows:
    """
    The points' last rows at each time.

    Args:
        points: k of them, each with at least one row; None: nothing is known of it.
        time: [µs], ascending, shape (n,).
        age_us: a row older than this is not used.
    """
    n, k = len(time), len(points)
    strain = np.full((n, k), np.nan)
    flags = np.full((n, k), MISSING, np.int64)
    tests = np.zeros(n, np.int32)
    sources: dict[str, tuple[Floats, float]] = {}
    for i, rows in enumerate(points):
        if rows is None:
            continue
        place = np.searchsorted(rows.time, time, side="right") - 1
        row = np.maximum(place, 0)
        fresh = (place >= 0) & (time - rows.time[row] <= age_us)
        strain[:, i] = np.where(fresh, rows.strain[row], np.nan)
        flags[:, i] = np.where(fresh, rows.flag[row], MISSING)
        tests |= np.where(fresh, rows.tests[row], 0).astype(np.int32)
        for name, source in rows.sources.items():
            own = source.amounts[row]
            if name not in sources:
                sources[name] = (np.zeros((n, k, own.shape[1])), source.freedom)
            amounts, freedom = sources[name]
            if amounts.shape[2] < own.shape[1]:
                amounts = np.pad(amounts, ((0, 0), (0, 0), (0, own.shape[1] - amounts.shape[2])))
                sources[name] = (amounts, freedom)
            amounts[:, i, : own.shape[1]] = own
    return JoinedRows(time, strain, _worst(flags), tests, sources)


def _worst(flags: Ints) -> Ints:
    flag = np.full(len(flags), PASS, np.int64)
    for worse in (NOT_EVALUATED, SUSPECT, MISSING, FAIL):
        flag[np.any(flags == worse, axis=1)] = worse
    return flag
