"""
No fewer digits are asked for than doubles allow: exact solutions of the rounded observations.

Observations are rounded to doubles before anybody computes; what an exact rational solution of
those doubles differs by from what is certified is what no program can do better than.
"""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from tests.checks import nist
from tests.checks.row import Check
from tests.checks.strd_figures import grouped, observed

# What the fit of an ill-conditioned set leaves of the digits that are there.
SHORT_OF_IT = {"Longley"}


def decimal(value: Fraction) -> Decimal:
    """Sixty digits of a fraction."""
    return Decimal(value.numerator) / Decimal(value.denominator)


def agreed(row: Check, exact: Decimal) -> int:
    """Digits of a row's published figure that the exact solution has."""
    away = abs(exact - Decimal(row.published))
    return next((k for k in range(row.all_digits, 0, -1) if away <= row.half_unit(k)), 0)


def exact_analysis(groups: list[list[float]]) -> list[Decimal]:
    """The table's figures in the order of `nist.analysis`."""
    values = [[Fraction(v) for v in group] for group in groups]
    total = sum(len(group) for group in values)
    means = [sum(group) / Fraction(len(group)) for group in values]
    mean = sum(sum(group) for group in values) / Fraction(total)
    between = sum(
        (len(g) * (m - mean) ** 2 for g, m in zip(values, means, strict=True)), Fraction()
    )
    within = sum(((v - m) ** 2 for g, m in zip(values, means, strict=True) for v in g), Fraction())
    between_ms, within_ms = between / (len(values) - 1), within / (total - len(values))
    ratio, share = between_ms / within_ms, between / (between + within)
    found = [decimal(v) for v in (between, within, between_ms, within_ms, ratio, share)]
    return [*found, decimal(within_ms).sqrt()]


def exact_sample(values: list[float]) -> list[Decimal]:
    """Mean, standard deviation, lag-1 autocorrelation."""
    numbers = [Fraction(v) for v in values]
    mean = sum(numbers) / Fraction(len(numbers))
    away = [v - mean for v in numbers]
    square = sum((a * a for a in away), Fraction())
    product = sum((a * b for a, b in pairwise(away)), Fraction())
    spread = decimal(square / (len(numbers) - 1)).sqrt()
    return [decimal(mean), spread, decimal(product / square)]


def inverse(matrix: list[list[Fraction]]) -> list[list[Fraction]]:
    """By elimination of a positive definite matrix."""
    n = len(matrix)
    rows = [[*row, *(Fraction(i == j) for j in range(n))] for i, row in enumerate(matrix)]
    for i in range(n):
        rows[i] = [v / rows[i][i] for v in rows[i]]
        for k in range(n):
            if k != i:
                rows[k] = [a - rows[k][i] * b for a, b in zip(rows[k], rows[i], strict=True)]
    return [row[n:] for row in rows]


def exact_fit(name: str) -> list[Decimal]:
    """Estimate and deviation of each parameter in turn, then the residual's."""
    y, *x = np.array(observed(name)).T.tolist()
    columns = [[1.0] * len(y), *([x[0], [v * v for v in x[0]]] if name == "Pontius" else x)]
    design = [[Fraction(v) for v in row] for row in zip(*columns, strict=True)]
    response = [Fraction(v) for v in y]
    p = len(columns)
    normal = [[sum((r[i] * r[j] for r in design), Fraction()) for j in range(p)] for i in range(p)]
    inverted = inverse(normal)
    right = [
        sum((r[i] * v for r, v in zip(design, response, strict=True)), Fraction()) for i in range(p)
    ]
    b = [sum((a * c for a, c in zip(row, right, strict=True)), Fraction()) for row in inverted]
    square = Fraction()
    for r, v in zip(design, response, strict=True):
        square += (v - sum((a * c for a, c in zip(r, b, strict=True)), Fraction())) ** 2
    variance = square / (len(y) - p)
    found = []
    for i in range(p):
        found += [decimal(b[i]), decimal(variance * inverted[i][i]).sqrt()]
    return [*found, decimal(variance).sqrt()]


@pytest.mark.parametrize("name", [*nist.ANOVA_DIGITS, *nist.UNIVARIATE_DIGITS, *nist.LINEAR_DIGITS])
def test_as_many_digits_are_asked_for_as_doubles_allow(name: str) -> None:
    """Within one digit, which is left for rounding on the way; but for the set named above."""
    with localcontext(prec=60):
        if name in nist.ANOVA_DIGITS:
            rows, exact = nist.analysis(name), exact_analysis(grouped(name))
        elif name in nist.UNIVARIATE_DIGITS:
            rows, exact = nist.sample(name), exact_sample(grouped(name)[0])
        else:
            rows, exact = nist.linear(name)[:-1], exact_fit(name)
        short = [agreed(row, best) - row.required for row, best in zip(rows, exact, strict=True)]

    assert (max(short) > 1) == (name in SHORT_OF_IT)
    assert max(short) <= 4
