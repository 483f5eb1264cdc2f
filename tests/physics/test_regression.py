"""
Linear least squares against NIST StRD and by hand; lag-1 autocorrelation likewise.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.physics.regression import lag1_autocorrelation, linear_fit
from tests.physics.strd import digits, reference

# Certified are 15 digits. Pontius is met to 13; Longley, whose scaled columns have a condition
# number of 4e4, to 11 (a solution by normal equations keeps 7 of it).
LEAST_DIGITS = {"Pontius": 13.0, "Longley": 11.0}


@pytest.mark.parametrize("name", list(LEAST_DIGITS))
def test_strd_sets_are_met(name: str) -> None:
    """NIST StRD: coefficients, standard deviations and residual to the digits stated above."""
    published = reference(f"nist_strd/{name}.json")
    y, *x = np.array(published["data"]).T
    columns = [x[0], x[0] ** 2] if name == "Pontius" else x
    certified = published["certified"]

    fit = linear_fit(np.column_stack((np.ones(len(y)), *columns)), y)

    assert fit.freedom == certified["anova"]["residual"]["df"]
    for found, sd, one in zip(
        fit.coefficients, fit.coefficient_sd, certified["parameters"], strict=True
    ):
        assert digits(float(found), one["estimate"]) >= LEAST_DIGITS[name]
        assert digits(float(sd), one["std_dev"]) >= LEAST_DIGITS[name]
    assert digits(fit.residual_sd, certified["residual_std_dev"]) >= 13.0


def test_a_line_through_zero_by_hand() -> None:
    """x = 1, 2, 3 and y = 2, 3, 7: b = 29/14, Σr² = 62 - 29²/14 = 27/14, s² = 27/28."""
    fit = linear_fit([[1.0], [2.0], [3.0]], [2.0, 3.0, 7.0])

    assert fit.coefficients[0] == pytest.approx(29 / 14, rel=1e-15)
    assert fit.residual_sd**2 == pytest.approx(27 / 28, rel=1e-14)
    assert fit.covariance[0, 0] == pytest.approx(27 / 28 / 14, rel=1e-14)
    np.testing.assert_allclose(fit.residuals, [2 - 29 / 14, 3 - 58 / 14, 7 - 87 / 14])


def test_as_many_values_as_parameters_leave_no_judgement() -> None:
    """Two points, two parameters: the line is exact, its uncertainty not a number."""
    fit = linear_fit([[1.0, 0.0], [1.0, 1.0]], [3.0, 5.0])

    np.testing.assert_allclose(fit.coefficients, [3.0, 2.0])
    assert fit.freedom == 0
    assert np.isnan(fit.residual_sd)
    assert np.isnan(fit.covariance).all()


@pytest.mark.parametrize(
    ("design", "response", "words"),
    [
        ([[1.0], [2.0]], [1.0, np.nan], "finite numbers"),
        ([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], [1.0, 2.0, 3.0], "depend on each other"),
        ([[0.0], [0.0]], [1.0, 2.0], "zero throughout"),
        ([[1.0], [2.0]], [1.0], "design of shape (2, 1)"),
        ([[1.0, 2.0]], [1.0], "design of shape (1, 2)"),
    ],
)
def test_a_fit_that_cannot_be_is_refused(
    design: list[list[float]], response: list[float], words: str
) -> None:
    """Not finite, dependent, empty and misshapen input are told apart in words."""
    with pytest.raises(ValueError) as caught:
        linear_fit(design, response)

    assert words in str(caught.value)


# Digits that the doubles of the data themselves leave: NumAcc3 has 8 digits before the change.
@pytest.mark.parametrize(
    ("name", "least"), [("Lew", 13.0), ("Mavro", 13.0), ("Michelso", 13.0), ("NumAcc3", 12.0)]
)
def test_lag1_autocorrelation_meets_strd(name: str, least: float) -> None:
    """NIST StRD, univariate sets."""
    published = reference(f"nist_strd/{name}.json")

    found = lag1_autocorrelation(published["data"])

    assert digits(found, published["certified"]["lag1_autocorrelation"]) >= least


def test_lag1_autocorrelation_of_nothing_to_judge_is_not_a_number() -> None:
    """One value, or one that never changes."""
    assert np.isnan(lag1_autocorrelation([1.0]))
    assert np.isnan(lag1_autocorrelation([2.0, 2.0, 2.0]))
