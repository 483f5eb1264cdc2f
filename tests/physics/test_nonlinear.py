"""
Nonlinear least squares against NIST StRD, which certifies 11 digits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from pipeline.physics.nonlinear import nonlinear_fit
from tests.physics.strd import digits, reference

MODELS: dict[str, Callable[[Any, Any], Any]] = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Hahn1": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
}


@pytest.mark.parametrize("start", ["start_1", "start_2"])
@pytest.mark.parametrize("name", list(MODELS))
def test_strd_sets_are_met_from_both_starts(name: str, start: str) -> None:
    """NIST StRD: parameters, their standard deviations and the residual's to 9 digits or more."""
    published = reference(f"nist_strd/{name}.json")
    y, x = np.array(published["data"]).T
    certified = published["certified"]

    fit = nonlinear_fit(lambda b: MODELS[name](b, x), published[start], y)

    assert fit.freedom == certified["df"]
    for found, sd, one in zip(
        fit.coefficients, fit.coefficient_sd, certified["parameters"], strict=True
    ):
        assert digits(float(found), one["estimate"]) >= 9.0
        assert digits(float(sd), one["std_dev"]) >= 9.0
    assert digits(fit.residual_sd, certified["residual_std_dev"]) >= 9.0


def test_a_line_is_found_in_one_step() -> None:
    """y = 2x + 1 without noise: the parameters to the last digits, no residual."""
    x = np.array([0.0, 1.0, 2.0, 5.0])

    fit = nonlinear_fit(lambda b: b[0] + b[1] * x, [0.0, 0.0], 2.0 * x + 1.0)

    np.testing.assert_allclose(fit.coefficients, [1.0, 2.0], rtol=1e-12)


def test_a_start_that_is_not_finite_is_refused() -> None:
    """log of a negative number at the start is no place to begin."""
    x = np.array([1.0, 2.0, 3.0])

    with np.errstate(invalid="ignore"), pytest.raises(ValueError) as caught:
        nonlinear_fit(lambda b: np.log(b[0] * x), [-1.0], x)

    assert "finite start" in str(caught.value)


def test_parameters_that_depend_on_each_other_are_refused() -> None:
    """y = a·b·x cannot tell a from b."""
    x = np.array([1.0, 2.0, 3.0, 4.0])

    with pytest.raises(ValueError) as caught:
        nonlinear_fit(lambda b: b[0] * b[1] * x, [1.0, 1.0], 3.0 * x + np.sin(x))

    assert "depend on each other" in str(caught.value)
