"""
Results that a late reading must not take away: those of points which the configuration lost.

A late reading seals a final window again with today's configuration. A point that was taken out of
the tables since would vanish from it; its rows are carried over until `rebuild` is asked for.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Bools, Results, concat_results, sort_results

KEPT_KEY = "kept_points"


@dataclass(frozen=True)
class Kept:
    """Stored rows that go on, of which (point, quantity), and the units of their points."""

    results: Results
    pairs: tuple[tuple[str, str], ...] = ()
    units: tuple[tuple[str, str], ...] = ()


def kept_rows(
    stored: Results, metadata: Mapping[str, str], derived: Results, configuration_sha256: str
) -> Kept:
    """
    Rows of a final window that its new results do not have, since another configuration made them.

    Args:
        stored: results as they stand in the archive.
        metadata: of those.
        derived: what today's chain makes of the window.
        configuration_sha256: of today's configuration.

    Returns:
        the rows of every (point, quantity) of which `derived` has none. Under the configuration
        that made the stored ones only those that were kept before, so that repeats change nothing.
    """
    before = {(point, quantity) for point, quantity in json.loads(metadata.get(KEPT_KEY, "[]"))}
    is_other = metadata["configuration_sha256"] != configuration_sha256
    pairs = (_pairs(stored) if is_other else before) - _pairs(derived)
    if not pairs:
        return Kept(Results.empty())
    units = json.loads(metadata.get("units", "{}"))
    points = sorted({point for point, _ in pairs})
    return Kept(
        stored.take(_is_of(stored, pairs)),
        tuple(sorted(pairs)),
        tuple((point, units[point]) for point in points if point in units),
    )


def with_kept(derived: Results, kept: Kept) -> Results:
    """The new results and what goes on beside them, sorted by point and time."""
    return sort_results(concat_results([derived, kept.results])) if kept.pairs else derived


def _pairs(results: Results) -> set[tuple[str, str]]:
    pairs = results.table.select(["point", "quantity"]).group_by(["point", "quantity"])
    return {(row["point"], row["quantity"]) for row in pairs.aggregate([]).to_pylist()}


def _is_of(results: Results, pairs: set[tuple[str, str]]) -> Bools:
    point_codes, points = results.point_codes()
    quantity = results.column("quantity")
    chosen = np.zeros(len(results), bool)
    for point, name in pairs:
        if point in points:
            chosen |= (point_codes == points.index(point)) & (quantity == name)
    return chosen
