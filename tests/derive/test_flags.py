"""
The flag of a row from its bits.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.blocks import TEST_BIT, TESTS
from pipeline.derive.flags import flag_of_bit, flags_of

WORSE = {1: 0, 2: 1, 3: 2, 4: 3}
"""Place of a flag in QARTOD's order."""


@pytest.mark.parametrize("name", TESTS)
def test_only_electrical_impossibility_fails(name: str) -> None:
    """Four tests fail; no other bit may, whatever it is."""
    electrical = {"not_a_number", "open_circuit", "short_circuit", "converter_rail"}

    flag = flags_of(np.array([TEST_BIT[name]], np.int32), np.array([False]))[0]

    assert (flag == 4) == (name in electrical)


def test_flag_is_four_before_three_before_two_before_one() -> None:
    """The worst of a row stands."""
    bits = [0, 0, TEST_BIT["gap"], TEST_BIT["gap"] | TEST_BIT["open_circuit"]]

    found = flags_of(np.array(bits, np.int32), np.array([False, True, True, True]))

    assert found.tolist() == [1, 2, 3, 4]


@given(st.integers(0, 2 ** len(TESTS) - 1), st.integers(0, len(TESTS) - 1), st.booleans())
def test_no_further_bit_makes_a_flag_better(bits: int, more: int, unrun: bool) -> None:
    """One more failed test, or one more that could not run, leaves the flag or makes it worse."""
    alone = flags_of(np.array([bits], np.int32), np.array([unrun]))[0]
    added = flags_of(np.array([bits | 1 << more], np.int32), np.array([unrun]))[0]
    missing = flags_of(np.array([bits], np.int32), np.array([True]))[0]

    assert WORSE[added] >= WORSE[alone]
    assert WORSE[missing] >= WORSE[alone]


@pytest.mark.parametrize("name", [name for name in TESTS if name != "late"])
def test_flag_of_one_bit_is_that_of_a_row_with_it_alone(name: str) -> None:
    """Late is the exception: the chain marks its tests as not run besides."""
    bit = TEST_BIT[name]

    assert flag_of_bit(bit) == flags_of(np.array([bit], np.int32), np.array([False]))[0]
