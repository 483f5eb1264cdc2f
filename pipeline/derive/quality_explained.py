"""
Why a row has its flag: for each failed or missing test a sentence with limit and observed value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.blocks import NOT_EVALUATED, TEST_BIT, TESTS
from pipeline.derive.block import Block
from pipeline.derive.flags import flag_of_bit
from pipeline.derive.gauges import Gauge
from pipeline.derive.outcome import UNRUN_COLUMN
from pipeline.derive.quality_unrun import unrun_sentence_of
from pipeline.derive.quality_words import Row, sentence_of


@dataclass(frozen=True)
class Explanation:
    """One test that did not pass on one row."""

    test: str
    flag: int
    """What it makes of the row by itself: 4 fail, 3 suspect, 2 not evaluated."""
    observed: float | None
    """In `unit`; None where there is no number to compare."""
    limit: tuple[float, ...]
    """The limit, or both ends of a range, in `unit`; empty: nothing is stated for this test."""
    unit: str
    sentence: str


def explanations(gauge: Gauge, block: Block, row: int) -> tuple[Explanation, ...]:
    """
    Every test that failed on a row, in the order of `blocks.TESTS`, then what could not run.

    Args:
        gauge: whose rows they are.
        block: finished rows of the gauge within one segment, as the last stage left them.
        row: position in the block.

    Returns:
        Empty for a row that passed. The worst flag among them is the row's flag.

    Raises:
        ValueError: the row lies in no segment of the gauge.
    """
    segment = next((s for s in gauge.segments if s.start_us <= block.time[row] < s.end_us), None)
    if segment is None:
        raise ValueError(f"row {row} at {block.time[row]} µs lies in no segment of {gauge.key}")
    one = Row(gauge, segment, block, row)
    bits = int(block.tests[row])
    failed = [_failed(test, one) for test in TESTS if bits & TEST_BIT[test]]
    column = block.columns.get(UNRUN_COLUMN)
    missing = 0 if column is None else int(column[row])
    unrun = [
        Explanation(test, NOT_EVALUATED, None, (), "", unrun_sentence_of(test, one))
        for test in TESTS
        if missing & TEST_BIT[test]
    ]
    return (*failed, *unrun)


def _failed(test: str, row: Row) -> Explanation:
    words = sentence_of(test, row)
    observed = None if words.observed is None or np.isnan(words.observed) else words.observed
    flag = flag_of_bit(TEST_BIT[test])
    return Explanation(test, flag, observed, words.limit, words.unit, words.sentence)
