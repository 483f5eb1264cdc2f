"""
N8: the stated uncertainty covers the simulated truth, counted over gauges and calibrations.

Here 30 benches and 30 gauges a case, of four cases; `ops/coverage.sh` counts 500 in all eight.
"""

from __future__ import annotations

import numpy as np
import pytest

from ops.coverage.counting import Outcome, binomial_interval
from ops.coverage.runs import outcomes
from ops.coverage.scenarios import CASES

NUMBERS = range(1, 31)
CHOSEN = tuple(case for case in CASES if case.name.startswith(("mild", "heat", "near", "foil")))
FEWEST = 25
"""Of 30: at 95 % coverage one case in 300 has fewer, at 93 % one in 50 (binomial)."""


@pytest.fixture(scope="module")
def found() -> list[Outcome]:
    """Benches of three gauges through `calibrate`, another gauge of each through the chain."""
    return outcomes(NUMBERS, CHOSEN)


@pytest.mark.slow
def test_the_truth_lies_within_2u_of_95_gauges_in_100(found: list[Outcome]) -> None:
    """At least 25 of 30 in each case: what 95 % may show in 30, and half of that u does not."""
    assert [one.gauges for one in found] == [30] * 4
    assert {one.name: one.covered for one in found if one.covered < FEWEST} == {}


@pytest.mark.slow
def test_u_is_neither_half_nor_twice_the_error(found: list[Outcome]) -> None:
    """
    RMS error over mean u, mean of the four cases: between 0.5 and 1.

    u is U95/2: the ratio is 1.02 where all is well known, and 0.52 where 2u = 4.30·σ of three
    gauges (and their σ is on average 0.89 of the true one) says all there is.
    """
    ratio = float(np.mean([one.rms / one.u for one in found]))

    assert 0.5 < ratio < 1.0


@pytest.mark.slow
def test_corrections_make_the_error_smaller(found: list[Outcome]) -> None:
    """In a heat wave thermal output, moisture and creep each take more off than they add."""
    heat = next(one for one in found if one.name.startswith("heat"))
    thermal, moisture, creep, *_, everything = heat.without

    assert min(thermal, moisture, everything) > 3.0 * heat.rms
    assert creep > heat.rms


@pytest.mark.parametrize(
    ("covered", "of", "low", "high"),
    [
        (0, 10, 0.0, 1.0 - 0.025 ** (1 / 10)),
        (10, 10, 0.025 ** (1 / 10), 1.0),
        (1, 2, 1.0 - 0.975**0.5, 0.975**0.5),
    ],
)
def test_interval_of_a_share_by_hand(covered: int, of: int, low: float, high: float) -> None:
    """Clopper-Pearson where it can be solved by hand: none, all, and one of two."""
    assert binomial_interval(covered, of) == pytest.approx((low, high), abs=1e-12)
