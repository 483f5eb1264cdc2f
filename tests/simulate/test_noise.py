"""
Random numbers by index: the same however they are cut, and distributed as they should be.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.simulate.noise import BLOCK, autoregressive, normal, uniform


@given(first=st.integers(-3 * BLOCK, 3 * BLOCK), count=st.integers(1, 300), cut=st.integers(0, 300))
def test_a_range_may_be_cut_anywhere(first: int, count: int, cut: int) -> None:
    """Two pieces joined equal the whole, also across blocks and below index 0."""
    cut = min(cut, count)
    whole = normal(7, "a", first, count)
    parts = [*normal(7, "a", first, cut), *normal(7, "a", first + cut, count - cut)]

    assert whole.tolist() == parts


def test_seed_and_name_give_independent_numbers() -> None:
    """Other seed or other name: no correlation to speak of (5 σ of 1/√n)."""
    base = normal(1, "a", 0, 20_000)
    for other in (normal(2, "a", 0, 20_000), normal(1, "b", 0, 20_000)):
        correlation = np.corrcoef(base, other)[0, 1]

        assert abs(correlation) < 5 / np.sqrt(20_000)


def test_moments_are_those_of_the_distributions() -> None:
    """Mean 0 and deviation 1; uniform mean ½ and variance 1/12, to 5 σ."""
    n = 100_000
    x, y = normal(3, "m", 0, n), uniform(3, "m", 0, n)

    assert abs(x.mean()) < 5 / np.sqrt(n)
    assert x.std() == pytest.approx(1, abs=5 / np.sqrt(2 * n))
    assert y.mean() == pytest.approx(0.5, abs=5 * np.sqrt(1 / 12 / n))
    assert y.var() == pytest.approx(1 / 12, rel=0.02)


def test_autoregressive_noise_has_unit_variance_and_its_memory() -> None:
    """AR(1) with ρ = 0.9: variance 1, correlation 0.9 at lag 1 and 0.81 at lag 2."""
    x = autoregressive(4, "ar", 200_000, 0.9)

    assert x.var() == pytest.approx(1, abs=0.05)
    assert np.corrcoef(x[1:], x[:-1])[0, 1] == pytest.approx(0.9, abs=0.01)
    assert np.corrcoef(x[2:], x[:-2])[0, 1] == pytest.approx(0.81, abs=0.02)


def test_longer_autoregressive_noise_begins_with_the_shorter() -> None:
    """The weather of a date does not change when the run gets longer."""
    assert autoregressive(5, "w", 50, 0.8).tolist() == autoregressive(5, "w", 90, 0.8)[:50].tolist()


def test_no_numbers_are_an_empty_array() -> None:
    """A count of 0 is allowed."""
    assert normal(1, "a", 5, 0).shape == (0,)
