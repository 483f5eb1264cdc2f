"""
Analysis of variance against NIST StRD, repeatability and reproducibility against ASTM E691.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.physics.anova import mandel, one_way, precision, standard_deviation
from tests.physics.strd import digits, reference


# Certified are 15 digits; AtmWtAg agrees in its first 7, so that its doubles carry 9 of them.
@pytest.mark.parametrize(("name", "least"), [("SiRstv", 13.0), ("AtmWtAg", 9.0)])
def test_one_way_meets_strd(name: str, least: float) -> None:
    """NIST StRD, one-way ANOVA: sums of squares, F, R² and residual standard deviation."""
    published = reference(f"nist_strd/{name}.json")
    certified = published["certified"]

    table = one_way(list(published["treatments"].values()))

    assert table.between_freedom == certified["between"]["df"]
    assert table.within_freedom == certified["within"]["df"]
    for found, wanted in (
        (table.between_ss, certified["between"]["ss"]),
        (table.within_ss, certified["within"]["ss"]),
        (table.between_ms, certified["between"]["ms"]),
        (table.within_ms, certified["within"]["ms"]),
        (table.f_statistic, certified["f_statistic"]),
        (table.r_squared, certified["r_squared"]),
        (math.sqrt(table.within_ms), certified["residual_std_dev"]),
    ):
        assert digits(found, wanted) >= least


@pytest.mark.parametrize("material", ["A", "D", "E"])
def test_precision_meets_astm_e691(material: str) -> None:
    """
    ASTM E691, glucose in serum: mean, s_r and s_R to the digits that it prints.

    Material A has s_L clamped to 0. h and k are the data file's recomputation, to its 4 decimals.
    """
    published = reference("metrology/astm_e691_glucose.json")["materials"][material]
    laboratories = list(published["laboratories"].values())

    found = precision(laboratories)
    h, k = mandel(laboratories)

    printed = published["published"]
    place = 5.1e-4 if material != "A" else 5.1e-5
    assert found.mean == pytest.approx(printed["mean"], abs=place)
    assert found.s_r == pytest.approx(printed["s_r"], abs=5.1e-5)
    assert found.s_R == pytest.approx(printed["s_R"], abs=5.1e-5)
    assert found.s_R**2 == pytest.approx(found.s_l**2 + found.s_r**2)
    assert (found.s_l == 0.0) == (material == "A")
    np.testing.assert_allclose(h, published["recomputed"]["h"], atol=5.1e-5)
    np.testing.assert_allclose(k, published["recomputed"]["k"], atol=5.1e-5)


def test_groups_of_different_sizes_by_hand() -> None:
    """
    Groups (1, 3) and (4, 6, 8): SS_within 2 + 8 = 10, SS_between 6/5·16 = 19.2, n̄ = 2.4.

    s_r² = 10/3, s_L² = (19.2 - 10/3)/2.4 = 6.6111 (ISO 5725-2, 7.4.5).
    """
    found = precision([[1.0, 3.0], [4.0, 6.0, 8.0]])
    table = one_way([[1.0, 3.0], [4.0, 6.0, 8.0]])

    assert table.between_ss == pytest.approx(19.2)
    assert table.within_ss == pytest.approx(10.0)
    assert table.mean_size == pytest.approx(2.4)
    assert found.mean == pytest.approx(4.4)
    assert found.s_r**2 == pytest.approx(10 / 3)
    assert found.s_l**2 == pytest.approx((19.2 - 10 / 3) / 2.4)


def test_one_group_has_repeatability_only() -> None:
    """Nothing is known between groups where there is one."""
    found = precision([[1.0, 2.0, 3.0]])

    assert found.s_r == 1.0
    assert math.isnan(found.s_l)
    assert math.isnan(found.s_R)


def test_one_value_a_group_has_no_repeatability() -> None:
    """Without a repeat, within and between cannot be told apart."""
    found = precision([[1.0], [2.0]])

    assert math.isnan(found.s_r)
    assert math.isnan(found.s_R)


@pytest.mark.parametrize(
    ("groups", "words"),
    [([[1.0]], "two groups"), ([[1.0], []], "none of them empty"), ([[1.0], [np.nan]], "finite")],
)
def test_groups_that_cannot_be_compared_are_refused(groups: list[list[float]], words: str) -> None:
    """Too few, empty and not finite groups are told apart in words."""
    with pytest.raises(ValueError) as caught:
        one_way(groups)

    assert words in str(caught.value)


# Digits that the doubles of the data leave: NumAcc3 changes in its 8th digit.
@pytest.mark.parametrize(
    ("name", "least"), [("Lew", 14.0), ("Mavro", 12.0), ("Michelso", 13.0), ("NumAcc3", 9.0)]
)
def test_standard_deviation_meets_strd(name: str, least: float) -> None:
    """NIST StRD, univariate sets; Σy² of NumAcc3 would lose every digit."""
    published = reference(f"nist_strd/{name}.json")

    found = standard_deviation(published["data"])

    assert digits(found, published["certified"]["std_dev_n_minus_1"]) >= least


def test_one_value_has_no_standard_deviation() -> None:
    """NaN, not 0: nothing is known of its scatter."""
    assert math.isnan(standard_deviation([1.0]))
