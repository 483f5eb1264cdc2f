"""
Spread between gauges and correlated readings: by hand, by theory, by a certified data set.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.chamber_gauge import least_squares
from pipeline.bench.chamber_spread import Estimate, correlation_factor, new_gauge

LONGLEY = Path(__file__).parents[3] / "shared" / "reference" / "nist_strd" / "Longley.json"


def test_another_gauge_is_predicted_by_the_formula_of_one_more() -> None:
    """By hand: 9, 10, 11 have mean 10 and s² = 1, so u² = 1·(1 + 1/3) with 2 degrees."""
    value, u, freedom = new_gauge([9.0, 10.0, 11.0], [0.1, 0.1, 0.1])

    assert (value, freedom) == (10.0, 2.0)
    assert u == pytest.approx(np.sqrt(4.0 / 3.0))


def test_what_gauges_have_in_common_is_not_lost_when_they_agree() -> None:
    """Three equal values whose own fits are good to 0.3 are not known better than that."""
    _, u, _ = new_gauge([5.0, 5.0, 5.0], [0.09, 0.09, 0.09])

    assert u == pytest.approx(0.3 * np.sqrt(4.0 / 3.0))


def test_one_gauge_says_nothing_of_a_spread() -> None:
    """A spread of one value is refused, not 0."""
    with pytest.raises(ValueError, match="at least two gauges"):
        new_gauge([5.0], [0.1])


def test_white_residuals_count_each_for_one() -> None:
    """Independent numbers have g = 1, to the scatter of the estimate."""
    noise = np.random.default_rng(4).standard_normal(20_000)

    assert 1.0 <= correlation_factor(noise) < 1.15


@pytest.mark.parametrize(("rho", "expected"), [(0.5, 3.0), (0.9, 19.0)])
def test_correlated_residuals_count_less(rho: float, expected: float) -> None:
    """AR(1): g = (1 + ρ)/(1 - ρ), the textbook variance inflation of its mean."""
    random = np.random.default_rng(5)
    x = np.zeros(100_000)
    for i, shock in enumerate(random.standard_normal(len(x) - 1).tolist()):
        x[i + 1] = rho * x[i] + shock

    assert correlation_factor(x) == pytest.approx(expected, rel=0.12)


def test_residuals_of_nothing_do_not_inflate() -> None:
    """An exact fit has no residuals to correlate."""
    assert correlation_factor(np.zeros(50)) == 1.0


@pytest.mark.parametrize(("value", "is_one"), [(2.1, True), (-2.1, True), (1.9, False)])
def test_a_figure_within_twice_its_u_is_not_significant(value: float, is_one: bool) -> None:
    """|value| > 2u, whatever the sign."""
    assert Estimate("a", "1", value, 1.0, 9.0).is_significant is is_one


@pytest.mark.skipif(not LONGLEY.exists(), reason="the reference figures are not beside the tree")
def test_ill_conditioned_columns_are_solved_to_certified_digits() -> None:
    """NIST StRD Longley: coefficients to 8 digits of the certified ones (condition 5e9)."""
    published = json.loads(LONGLEY.read_text())
    table = np.array(published["data"])
    columns = np.concatenate([np.ones((len(table), 1)), table[:, 1:]], axis=1)
    certified = [one["estimate"] for one in published["certified"]["parameters"]]

    assert least_squares(columns, table[:, 0]) == pytest.approx(certified, rel=1e-8)
