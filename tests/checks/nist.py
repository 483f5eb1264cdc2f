"""
NIST Statistical Reference Datasets: least squares, analysis of variance, and single samples.

Digits that must agree are those that doubles allow. The observations themselves are rounded to
doubles: an exact solution of the rounded AtmWtAg agrees to 10 digits, of NumAcc3 to 9 (SD).
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from pipeline.physics.anova import one_way, precision, standard_deviation
from pipeline.physics.nonlinear import nonlinear_fit
from pipeline.physics.regression import LinearFit, lag1_autocorrelation, linear_fit
from tests.checks.row import Check, Topic
from tests.checks.strd_figures import (
    ANOVA,
    PARAMETERS,
    RESIDUAL_FREEDOM,
    RESIDUAL_SD,
    STARTS,
    UNIVARIATE,
    grouped,
    observed,
)
from tests.physics.test_nonlinear import MODELS

CERTIFIED, CERTIFIED_NONLINEAR = 15, 11
SOURCE = "certified"

# Parameters, their standard deviations, residual standard deviation.
LINEAR_DIGITS: dict[str, tuple[list[int], list[int], int]] = {
    "Pontius": ([13, 14, 14], [13] * 3, 13),
    "Longley": ([11] * 7, [12] * 7, 14),
}
NONLINEAR_DIGITS = 10
ANOVA_DIGITS = {"SiRstv": 13, "AtmWtAg": 10}
# Mean, standard deviation, lag-1 autocorrelation.
UNIVARIATE_DIGITS = {
    "Lew": (15, 15, 14),
    "Mavro": (15, 13, 13),
    "Michelso": (15, 13, 13),
    "NumAcc3": (15, 9, 11),
}


def linear(name: str) -> list[Check]:
    """A linear set: parameters, their standard deviations, and the residual's."""
    y, *x = np.array(observed(name)).T
    columns = [x[0], x[0] ** 2] if name == "Pontius" else x
    fit = linear_fit(np.column_stack((np.ones(len(y)), *columns)), y)
    return _fitted(name, [fit], LINEAR_DIGITS[name], CERTIFIED)


def nonlinear(name: str) -> list[Check]:
    """A nonlinear set: the same, of two starts the one that is further off."""
    y, x = np.array(observed(name)).T
    fits = [nonlinear_fit(lambda b: MODELS[name](b, x), start, y) for start in STARTS[name]]
    count = len(PARAMETERS[name])
    digits = ([NONLINEAR_DIGITS] * count, [NONLINEAR_DIGITS] * count, NONLINEAR_DIGITS)
    return _fitted(name, fits, digits, CERTIFIED_NONLINEAR)


def analysis(name: str) -> list[Check]:
    """A one-way analysis of variance."""
    table = one_way(grouped(name))
    ours = (
        table.between_ss,
        table.within_ss,
        table.between_ms,
        table.within_ms,
        table.f_statistic,
        table.r_squared,
        math.sqrt(table.within_ms),
    )
    return [
        Check(name, what, SOURCE, printed, value, digits=ANOVA_DIGITS[name], printed=CERTIFIED)
        for (what, printed), value in zip(ANOVA[name].items(), ours, strict=True)
    ]


def sample(name: str) -> list[Check]:
    """Mean, standard deviation and lag-1 autocorrelation of one sample."""
    (values,) = grouped(name)
    ours = (precision([values]).mean, standard_deviation(values), lag1_autocorrelation(values))
    what = ("mean", "SD", "lag-1 autocorrelation")
    digits = UNIVARIATE_DIGITS[name]
    return [
        Check(name, what[i], SOURCE, UNIVARIATE[name][i], ours[i], "", digits[i], CERTIFIED)
        for i in range(3)
    ]


def _fitted(
    name: str, fits: list[LinearFit], digits: tuple[list[int], list[int], int], printed: int
) -> list[Check]:
    rows = []
    freedom = str(RESIDUAL_FREEDOM[name])
    for i, (symbol, estimate, deviation) in enumerate(PARAMETERS[name]):
        for what, published, values, must in (
            (symbol, estimate, [fit.coefficients[i] for fit in fits], digits[0][i]),
            (f"SD of {symbol}", deviation, [fit.coefficient_sd[i] for fit in fits], digits[1][i]),
        ):
            ours = _furthest(published, values)
            rows.append(Check(name, what, SOURCE, published, ours, digits=must, printed=printed))
    ours = _furthest(RESIDUAL_SD[name], [fit.residual_sd for fit in fits])
    rows.append(Check(name, "residual SD", SOURCE, RESIDUAL_SD[name], ours, "", digits[2], printed))
    rows.append(Check(name, "degrees of freedom", SOURCE, freedom, fits[0].freedom))
    return rows


def _furthest(published: str, values: list[float]) -> float:
    return float(max(values, key=lambda value: abs(float(value) - float(published))))


LEAST_SQUARES = Topic(
    "Least squares (NIST StRD)",
    "National Institute of Standards and Technology, Statistical Reference Datasets; certified to "
    "15 digits (linear) and 11 (nonlinear). Certified values from a stored copy.",
    {
        **{name: partial(linear, name) for name in LINEAR_DIGITS},
        **{name: partial(nonlinear, name) for name in STARTS},
    },
    (
        "Pontius calibrates a load cell. An exact solution of its observations as doubles agrees "
        "with what is certified to 13 to 15 digits; no more can be had.",
        "Longley is ill-conditioned: normal equations keep 7 digits of its coefficients, this fit "
        "11 and of their deviations 12; an exact solution of its observations as doubles has 14.",
        "R² and F of the linear sets are not figures of this software.",
        "Of nonlinear sets each figure is, of the two certified starts, the one further off. Their "
        "11th digit is not promised: it depends on the start and the processor.",
    ),
)
VARIANCE = Topic(
    "Analysis of variance and single samples (NIST StRD)",
    "National Institute of Standards and Technology, Statistical Reference Datasets; certified to "
    "15 digits. Certified values from a stored copy.",
    {
        **{name: partial(analysis, name) for name in ANOVA},
        **{name: partial(sample, name) for name in UNIVARIATE},
    },
    (
        "Observations of AtmWtAg and NumAcc3 share their first 7 digits: an exact solution of them "
        "as doubles agrees with what is certified to 10 and to 9 (SD) digits, of "
        "SiRstv, Mavro and Michelso to 12 or 13.",
    ),
)
