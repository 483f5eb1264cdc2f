"""
Combined uncertainty with few degrees of freedom, against the GUM and exact quantiles.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from pipeline.physics.uncertainty import combined, coverage_factor, half_u95

INF = float("inf")


# JCGM 100:2008, table G.2, t_95(ν).
@pytest.mark.parametrize(
    ("freedom", "factor"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (9, 2.26), (16, 2.12), (50, 2.01), (INF, 1.960)],
)
def test_coverage_factor_meets_table_g2(freedom: float, factor: float) -> None:
    """To the digits that the GUM prints."""
    assert float(coverage_factor(freedom)) == pytest.approx(factor, abs=5.1e-3)


def test_coverage_factor_is_within_a_millionth_of_the_quantile() -> None:
    """At any number of degrees of freedom, whole or not; below 1 it is that of 1."""
    freedom = np.concatenate((np.linspace(1.0, 30.0, 777), np.geomspace(30.0, 1e7, 99)))

    np.testing.assert_allclose(coverage_factor(freedom), student.ppf(0.975, freedom), atol=1e-6)
    assert coverage_factor(0.3) == pytest.approx(student.ppf(0.975, 1.0), abs=1e-9)
    assert np.isnan(coverage_factor(np.nan))


def test_welch_satterthwaite_meets_the_gums_example() -> None:
    """JCGM 100:2008 H.1.6: components 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2): u 32, ν_eff 16."""
    parts = [(25.0**2, 18.0), (9.7**2, 25.6), (2.9**2, 50.0), (16.6**2, 2.0)]

    u, freedom = combined(parts, 1)

    assert u[0] == pytest.approx(31.7, abs=0.1)
    assert int(freedom[0]) in (16, 17)


def test_three_gauges_need_more_than_twice_u() -> None:
    """Three gauges leave 2 degrees of freedom: U95/2 is 4.303/2 times u."""
    assert half_u95([(4.0, 2.0)], 1)[0] == pytest.approx(4.3027, rel=1e-4)


def test_few_and_many_degrees_of_freedom_by_hand() -> None:
    """u² = 1 with ν = 2 and 0.25 with ν = ∞: ν_eff = 1.25²/0.5 = 3.125; mean of the squares of
    t(3.125)·√1.25 and of √(4.3027² + 1.96²/4)."""
    whole = 1.25 * student.ppf(0.975, 3.125) ** 2
    apart = 4.302653**2 + 0.25 * 1.959964**2

    found = half_u95([(1.0, 2.0), (0.25, INF)], 1)[0]
    assert found == pytest.approx(0.5 * np.sqrt(0.5 * (whole + apart)), rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("known", [0.1, 0.2, 0.3, 0.5, 0.8, 1.0, 1.5, 3.0])
@pytest.mark.parametrize("second", [0.0, 0.2, 1.0])
def test_u95_holds_95_in_100_whatever_the_sizes(known: float, second: float) -> None:
    """Two estimates of ν = 2 and a well-known part, 100 000 draws: 93.5 to 97.2 %, where
    Welch-Satterthwaite alone falls to 92.1."""
    rng = np.random.default_rng(8)
    n = 100_000
    errors = rng.normal(size=(3, n)) * np.array([[1.0], [second], [known]])
    estimated = [size**2 * rng.chisquare(2.0, n) / 2.0 for size in (1.0, second)]
    parts = [(estimated[0], 2.0), (estimated[1], 2.0), (np.full(n, known**2), INF)]

    held = np.mean(np.abs(errors.sum(axis=0)) <= 2.0 * half_u95(parts, n))
    assert 0.935 <= held <= 0.972


def test_no_component_at_all_is_no_uncertainty() -> None:
    """Zero stays zero, with infinite degrees of freedom; NaN stays NaN."""
    u, freedom = combined([(0.0, 3.0), (np.zeros(2), INF)], 2)

    assert not u.any()
    assert np.isinf(freedom).all()
    assert np.isnan(half_u95([(np.array([np.nan, 1.0]), 3.0)], 2)).tolist() == [True, False]
