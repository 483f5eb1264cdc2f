"""
The QARTOD flag of a row from the bits of its tests: 4 before 3 before 2 before 1.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import FAIL, NOT_EVALUATED, PASS, SUSPECT, TEST_BIT, Bools, Ints
from pipeline.derive.block import FAILING, Tests

SUSPECTING = sum(
    TEST_BIT[name]
    for name in (
        "gross_range",
        "spike",
        "rate_of_change",
        "flat_line",
        "gap",
        "beyond_range",
        "uncompensated",
        "companion_missing",
        "contradiction",
        "clock",
        "condensation",
        "calibration_expired",
        "companion_disagrees",
        "noise",
        "neighbour",
        "leakage",
        "attenuated",
    )
)
"""Tests that can make a value suspect and no more: a real overload trips them too."""

UNJUDGED = TEST_BIT["relative_only"] | TEST_BIT["warm_up"] | TEST_BIT["shunt"]
"""The value cannot be judged yet."""


def flags_of(tests: Tests, unrun: Bools) -> Ints:
    """QARTOD flag of each row from its failed tests and whether a required one did not run."""
    flag = np.full(len(tests), PASS, np.int64)
    flag[unrun | (tests & UNJUDGED != 0)] = NOT_EVALUATED
    flag[tests & SUSPECTING != 0] = SUSPECT
    flag[tests & FAILING != 0] = FAIL
    return flag


def flag_of_bit(bit: int) -> int:
    """What one failed test alone makes of a row; a late row is not evaluated."""
    if bit & FAILING:
        return FAIL
    return SUSPECT if bit & SUSPECTING else NOT_EVALUATED
