"""
What is remembered of a point that is put together with others: its last row, plain numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any


@dataclass(frozen=True)
class CarriedRow:
    """The last row of a point."""

    time: int
    """[µs since 1970 UTC]"""
    strain: float | None
    """[m/m]; None: the reading failed."""
    flag: int
    tests: int
    sources: Mapping[str, tuple[float, tuple[float, ...]]] = field(default_factory=dict)
    """Of its uncertainty, by name: degrees of freedom, and amounts [m/m] with their signs."""


def carried_json(rows: Mapping[str, CarriedRow]) -> dict[str, Any]:
    """The rows as JSON can say them; endless degrees of freedom are null."""
    return {
        point: {
            "time": row.time,
            "strain": row.strain,
            "flag": row.flag,
            "tests": row.tests,
            "sources": {
                name: [freedom if math.isfinite(freedom) else None, list(amounts)]
                for name, (freedom, amounts) in row.sources.items()
            },
        }
        for point, row in rows.items()
    }


def carried_of(content: Mapping[str, Any]) -> dict[str, CarriedRow]:
    """Undoes `carried_json`."""
    return {
        point: CarriedRow(
            row["time"],
            row["strain"],
            row["flag"],
            row["tests"],
            {
                name: (math.inf if freedom is None else freedom, tuple(amounts))
                for name, (freedom, amounts) in row["sources"].items()
            },
        )
        for point, row in content.items()
    }


def carried_distance(a: Mapping[str, CarriedRow], b: Mapping[str, CarriedRow]) -> float:
    """
    How far apart two memories are [µm/m]: strains and standard uncertainties, the largest.

    What derived points make of them counts as the strains it is made of. Infinite where other
    points, times or tests are remembered.
    """
    if a == b:
        return 0.0
    if a.keys() != b.keys():
        return math.inf
    return max((_row_distance(a[point], b[point]) for point in a), default=0.0)


def _row_distance(a: CarriedRow, b: CarriedRow) -> float:
    if (a.time, a.flag, a.tests) != (b.time, b.flag, b.tests):
        return math.inf
    if a.strain is None or b.strain is None:
        return 0.0 if a.strain is b.strain else math.inf
    moved = abs(a.strain - b.strain)
    for name in a.sources.keys() | b.sources.keys():
        first, second = (one.sources.get(name, (0.0, ()))[1] for one in (a, b))
        pairs = zip_longest(first, second, fillvalue=0.0)
        moved = max(moved, *(abs(x - y) for x, y in pairs))
    return moved * 1e6
