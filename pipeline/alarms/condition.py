"""
The on-delay and off-delay of one alarm: is its condition there, and since when?

Rows are judged beforehand and handed over as runs; only crossings are walked, one step a run.

    CLEAR ──true──► PENDING ──on-delay over, or gauge failed──► ACTIVE
      ▲                │ not true                                │ ▲
      │◄───────────────┘                                   false │ │ not false, or gauge failed
      └──────────────────────off-delay over── CLEARING ◄─────────┘ │
                                                 └─────────────────┘

Delays run on two clocks. Between readings: from the first true (false) reading to a later one, by
the readings' own time. Without readings: the last one is held, by the station's steady time since
the first true (false) one was received, so that a backlog that arrives at once completes
nothing by itself. In the first way a reading that stands alone lasts no time at all, however
long the gap after it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt

from pipeline.blocks import Ints

TRUE, FALSE, BETWEEN, FAILED, DOUBTFUL = 1, 0, 2, 3, 4
"""Of a row: limit exceeded; back within the deadband; neither; the gauge cannot tell; a value
that contradicts another of its time and exceeds nothing."""

Kinds = npt.NDArray[np.int8]


class Phase(StrEnum):
    """Where the condition stands; it is present while ACTIVE and while CLEARING."""

    CLEAR = "clear"
    PENDING = "pending"
    ACTIVE = "active"
    CLEARING = "clearing"


@dataclass(frozen=True)
class Evidence:
    """Why a condition is thought true: the furthest reading, what was normal before, tests."""

    value: float | None = None
    u: float | None = None
    limit: float | None = None
    normal_value: float | None = None
    """The last reading before the first true one, with its u."""
    normal_u: float | None = None
    tests: int = 0
    """Union of the failed tests."""
    text: str = ""


@dataclass(frozen=True)
class Condition:
    """`since_us` and `received_us` belong to the first reading of PENDING or CLEARING."""

    phase: Phase = Phase.CLEAR
    since_us: int = 0
    """By the readings' time [µs since 1970 UTC]."""
    received_us: int = 0
    """By the steady clock [µs]."""
    evidence: Evidence = Evidence()

    @property
    def is_present(self) -> bool:
        """True while the alarm condition holds."""
        return self.phase in (Phase.ACTIVE, Phase.CLEARING)


@dataclass(frozen=True)
class Delays:
    """On-delay and off-delay [µs]."""

    on_us: int
    off_us: int


@dataclass(frozen=True)
class Change:
    """The condition came (`is_raise`) or went, at `occurred_us`; `row` completed it, if any."""

    is_raise: bool
    occurred_us: int
    evidence: Evidence
    row: int | None
    why: str = ""


class Rows(Protocol):
    """Judged rows of one point in time order."""

    @property
    def time(self) -> Ints:
        """[µs since 1970 UTC], not decreasing, shape (n,)."""

    @property
    def kinds(self) -> Kinds:
        """TRUE, FALSE, BETWEEN, FAILED or DOUBTFUL, shape (n,)."""

    def begin(self, row: int) -> Evidence:
        """Evidence of an excursion that begins at `row`, which is not gathered yet."""

    def gather(self, evidence: Evidence, first: int, last: int) -> Evidence:
        """`evidence` with the rows first..last, both included, all of them TRUE."""

    def failure(self, row: int) -> str:
        """What is wrong with the gauge at `row`, for people."""


def walk(
    condition: Condition, rows: Rows, delays: Delays, received_us: int
) -> tuple[Condition, list[Change]]:
    """
    Take the condition through judged rows.

    Cutting the rows anywhere and passing the condition on gives the same changes.

    Args:
        condition: where it stood before the first row.
        rows: of the alarm's point; FAILED raises what is pending, else changes nothing; DOUBTFUL
            changes nothing.
        delays: of the alarm's rule.
        received_us: steady time at which all of the rows were received [µs].
    """
    changes: list[Change] = []
    for kind, first, last in _runs(rows.kinds):
        change: Change | None = None
        if kind == TRUE:
            condition, change = _true(condition, rows, first, last, delays, received_us)
        elif kind == FALSE:
            condition, change = _false(condition, rows, first, last, delays, received_us)
        elif kind == FAILED:
            condition, change = fail(
                condition, f"gauge failed while pending: {rows.failure(first)}"
            )
        elif kind == BETWEEN and condition.phase is Phase.PENDING:
            condition = Condition()
        elif kind == BETWEEN and condition.phase is Phase.CLEARING:
            condition = replace(condition, phase=Phase.ACTIVE)
        if change is not None:
            changes.append(replace(change, row=first) if change.row is None else change)
    return condition, changes


def hold(condition: Condition, delays: Delays, steady_us: int) -> tuple[Condition, Change | None]:
    """What holding the last reading until `steady_us` completes, if anything."""
    held_us = steady_us - condition.received_us
    if condition.phase is Phase.PENDING and held_us >= delays.on_us:
        return _raised(condition, None, "no newer reading: the last one held for the on-delay")
    if condition.phase is Phase.CLEARING and held_us >= delays.off_us:
        return _returned(condition, None, "no newer reading: the last one held for the off-delay")
    return condition, None


def fail(condition: Condition, why: str) -> tuple[Condition, Change | None]:
    """The gauge can no longer tell: what is pending is raised, what is present stays."""
    if condition.phase is Phase.PENDING:
        return _raised(condition, None, why)
    if condition.phase is Phase.CLEARING:
        return replace(condition, phase=Phase.ACTIVE), None
    return condition, None


def observe(
    condition: Condition, is_true: bool, now_us: int, steady_us: int, delays: Delays, text: str
) -> tuple[Condition, Change | None]:
    """One look at something that ticks tell (silence, a station fault), delays by ticks."""
    if is_true and condition.phase is Phase.CLEAR:
        condition = Condition(Phase.PENDING, now_us, steady_us, Evidence(text=text))
    elif is_true and condition.phase is Phase.CLEARING:
        condition = replace(condition, phase=Phase.ACTIVE)
    elif not is_true and condition.phase is Phase.PENDING:
        condition = Condition()
    elif not is_true and condition.phase is Phase.ACTIVE:
        condition = replace(condition, phase=Phase.CLEARING, since_us=now_us, received_us=steady_us)
    condition, change = hold(condition, delays, steady_us)
    return condition, None if change is None else replace(change, why="")


def _runs(kinds: Kinds) -> Iterator[tuple[int, int, int]]:
    """Kind, first row and last row of every stretch of one kind."""
    if not len(kinds):
        return
    ends = np.flatnonzero(kinds[1:] != kinds[:-1])
    firsts = [0, *(ends + 1).tolist()]
    lasts = [*ends.tolist(), len(kinds) - 1]
    yield from zip(kinds[firsts].tolist(), firsts, lasts, strict=True)


def _true(
    condition: Condition, rows: Rows, first: int, last: int, delays: Delays, received_us: int
) -> tuple[Condition, Change | None]:
    if condition.phase is Phase.CLEARING:
        return replace(condition, phase=Phase.ACTIVE), None
    if condition.phase is Phase.ACTIVE:
        return condition, None
    if condition.phase is Phase.CLEAR:
        start = int(rows.time[first])
        condition = Condition(Phase.PENDING, start, received_us, rows.begin(first))
    row = _first_at(rows.time, first, last, condition.since_us + delays.on_us)
    gathered = rows.gather(condition.evidence, first, last if row is None else row)
    condition = replace(condition, evidence=gathered)
    return (condition, None) if row is None else _raised(condition, row, "")


def _false(
    condition: Condition, rows: Rows, first: int, last: int, delays: Delays, received_us: int
) -> tuple[Condition, Change | None]:
    if condition.phase is Phase.PENDING:
        return Condition(), None
    if condition.phase is Phase.CLEAR:
        return condition, None
    if condition.phase is Phase.ACTIVE:
        start = int(rows.time[first])
        condition = replace(
            condition, phase=Phase.CLEARING, since_us=start, received_us=received_us
        )
    row = _first_at(rows.time, first, last, condition.since_us + delays.off_us)
    return (condition, None) if row is None else _returned(condition, row, "")


def _first_at(time: Ints, first: int, last: int, due_us: int) -> int | None:
    """The first of the rows first..last whose time is `due_us` or later."""
    row = first + int(np.searchsorted(time[first : last + 1], due_us))
    return row if row <= last else None


def _raised(condition: Condition, row: int | None, why: str) -> tuple[Condition, Change]:
    change = Change(True, condition.since_us, condition.evidence, row, why)
    return replace(condition, phase=Phase.ACTIVE), change


def _returned(condition: Condition, row: int | None, why: str) -> tuple[Condition, Change]:
    return Condition(), Change(False, condition.since_us, condition.evidence, row, why)
