"""
What one quality test found on the rows of a block, and how it gets into the block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.blocks import TEST_BIT, Bools, Floats, Ints
from pipeline.derive.block import Block


@dataclass(frozen=True, eq=False)
class Outcome:
    """One test on rows; a row that it neither could not judge nor failed has passed."""

    test: str
    failed: Bools
    unrun: Bools
    """The test could not run there; excludes `failed`."""
    observed: Floats | None = None
    """What is compared with the limit; NaN where there was nothing to compare."""

    def at(self, rows: Ints, length: int) -> Outcome:
        """The outcome on all rows of a block of that length, of which these were judged."""
        if len(rows) == length:
            return self
        failed, unrun = np.zeros(length, bool), np.zeros(length, bool)
        failed[rows], unrun[rows] = self.failed, self.unrun
        if self.observed is None:
            return Outcome(self.test, failed, unrun)
        observed = np.full(length, np.nan)
        observed[rows] = self.observed
        return Outcome(self.test, failed, unrun, observed)


@dataclass(frozen=True, eq=False)
class Numbers:
    """The rows of a block whose value is a number, ascending in time; arrays of shape (n,)."""

    rows: Ints
    """Their positions in the block."""
    time: Ints
    value: Floats

    def __len__(self) -> int:
        return len(self.rows)


def numbers_of(block: Block) -> Numbers:
    """The rows of a block whose `value` is a number."""
    value = block["value"]
    rows = np.flatnonzero(np.isfinite(value))
    if len(rows) == len(block):
        return Numbers(rows, block.time, value)
    return Numbers(rows, block.time[rows], value[rows])


def observed_column(test: str) -> str:
    """Name of the block's column that holds what a test compared with its limit."""
    return f"observed_{test}"


UNRUN_COLUMN = "unrun_tests"
"""Bit set of the required tests that could not run, as a float column of the block."""


def with_outcomes(block: Block, outcomes: list[Outcome]) -> Block:
    """
    The block with the bits of what failed, `unrun` where a test could not run, and for words the
    columns `observed_…` and `unrun_tests`.
    """
    tests, unrun = block.tests.copy(), np.zeros(len(block), np.int32)
    columns: dict[str, Floats] = {}
    for outcome in outcomes:
        bit = np.int32(TEST_BIT[outcome.test])
        tests[outcome.failed] |= bit
        unrun[outcome.unrun] |= bit
        if outcome.observed is not None:
            columns[observed_column(outcome.test)] = outcome.observed
    columns[UNRUN_COLUMN] = unrun.astype(np.float64)
    return block.adding(columns, tests, block.unrun | (unrun != 0))
