"""
Points put together: rosettes and sections, after the gauges, in the same block of results.

Each element yields a row a quantity at every time at which one of its points has a reading
(`combine_join`). Uncertainty knows what the gauges have in common (`combine_sources`). A point
that failed or is missing makes the row null, with the flag that says so; the tests of the points
stand in the row too.

Live, a time before the newest one that is remembered of an element's points makes no row, nor do
late readings: the seal, which has the whole window, puts them in place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.blocks import FAIL, MISSING, NOT_EVALUATED, SUSPECT, TEST_BIT, Bools, Floats, Ints
from pipeline.derive.assemble import Part
from pipeline.derive.block import Block
from pipeline.derive.combine_join import (
    JoinedRows,
    PointRows,
    carried_rows,
    joined_rows,
    merged_rows,
    point_rows,
)
from pipeline.derive.combine_plan import Element, RosettePlan
from pipeline.derive.combine_rosette import rosette_worked
from pipeline.derive.combine_section import section_worked
from pipeline.derive.combine_state import CarriedRow
from pipeline.derive.combine_uncertainty import Worked
from pipeline.errors import ChainError

_AT_ONCE = 8192
"""Rows worked out together: what they share is held for all points and causes at once."""

_FAULTS = (ArithmeticError, AttributeError, LookupError, MemoryError, TypeError, ValueError)


def combine(
    parts: Sequence[Part],
    carried: Mapping[str, CarriedRow],
    elements: Sequence[Element],
    *,
    newest_us: int,
    live: bool,
) -> tuple[list[Part], dict[str, CarriedRow]]:
    """
    Rows of all elements of a block, and what the next block needs of their points.

    Args:
        parts: finished rows of the gauges, with their segments.
        carried: what the block before left.
        elements: of the plan.
        newest_us: newest time of the block's readings.
        live: False: a whole window; what is too old at its end is forgotten.

    Raises:
        ChainError: an element failed, which is a fault of the software.
    """
    ages: dict[str, int] = {}
    for element in elements:
        for point in element.points:
            ages[point] = max(ages.get(point, 0), element.age_us)
    if not ages:
        return [], {}
    fresh: dict[str, list[PointRows]] = {}
    made: list[Part] = []
    name = "sources"
    try:
        for part in parts:
            if part.point in ages and _can_be_joined(part):
                fresh.setdefault(part.point, []).append(point_rows(part))
        known = {p: [carried_rows(carried[p])] for p in ages if p in carried}
        rows = {p: merged_rows([*known.get(p, []), *fresh.get(p, [])]) for p in {**known, **fresh}}
        for element in elements:
            name = element.id
            made += _made(element, rows, _times(element, fresh, carried))
    except _FAULTS as fault:
        raise ChainError("combine", name, sum(len(part.block) for part in parts)) from fault
    after = {point: one.last() for point, one in sorted(rows.items())}
    if not live:
        after = {p: row for p, row in after.items() if newest_us - row.time <= ages[p]}
    return made, after


def _can_be_joined(part: Part) -> bool:
    """Strain that advances its point."""
    if part.segment is None or part.segment.strain is None or not len(part.block):
        return False
    return not part.is_aside


def _times(
    element: Element, fresh: Mapping[str, list[PointRows]], carried: Mapping[str, CarriedRow]
) -> Ints:
    """Times at which an element has a row: ascending, none before what is remembered."""
    found = [rows.time for point in element.points for rows in fresh.get(point, [])]
    if not found:
        return np.empty(0, np.int64)
    time = np.unique(np.concatenate(found))
    before = [carried[point].time for point in element.points if point in carried]
    return time[time >= max(before)] if before else time


def _made(element: Element, rows: Mapping[str, PointRows], time: Ints) -> list[Part]:
    points = [rows.get(point) for point in element.points]
    made: list[Part] = []
    for start in range(0, len(time), _AT_ONCE):
        some = joined_rows(points, time[start : start + _AT_ONCE], element.age_us)
        made += _parts(element, some)
    return made


def _parts(element: Element, rows: JoinedRows) -> list[Part]:
    """One part a quantity; null in all of them where a row is not whole."""
    whole = rows.is_whole
    worked = _worked(element, rows.take(whole))
    tests = rows.tests.copy()
    tests[whole] |= np.where(worked.is_off, TEST_BIT["neighbour"], 0).astype(np.int32)
    off = _spread(worked.is_off, whole, 0.0) > 0.0
    base = np.where(whole | (rows.flag == FAIL), rows.flag, MISSING)
    base = np.where(off & (base != FAIL), SUSPECT, base)
    unrun = np.zeros(len(rows), bool)
    made = []
    for i, quantity in enumerate(element.quantities):
        is_open = (_spread(worked.is_open[:, i], whole, 0.0) > 0.0) & (base < SUSPECT)
        columns = {
            "value": _spread(worked.value[:, i], whole, np.nan),
            "u": _spread(worked.u[:, i], whole, np.nan),
            "flag": np.where(is_open, NOT_EVALUATED, base).astype(np.float64),
        }
        made.append(Part(element.id, quantity, Block(rows.time, tests, unrun, columns)))
    return made


def _worked(element: Element, rows: JoinedRows) -> Worked:
    if isinstance(element, RosettePlan):
        return rosette_worked(rows, element)
    return section_worked(rows, element)


def _spread(values: Floats, whole: Bools, absent: float) -> Floats:
    """Values of whole rows in their places among all rows."""
    found = np.full(len(whole), absent)
    found[whole] = values
    return found
