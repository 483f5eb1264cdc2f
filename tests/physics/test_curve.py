"""
The calibration curve against scipy and against its own inverse.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from pipeline.physics.curve import GaugeCurve, monotone_curve, polynomial_curve

KNOTS = np.array([-1500.0, -800.0, -200.0, 0.0, 100.0, 700.0, 1500.0]) * 1e-6
DELTAS = np.array([-0.0280, -0.0155, -0.0040, 0.0, 0.0021, 0.0138, 0.0250])
LO, HI = -1.2e-3, 1.4e-3
STEEP = np.array([0.0, 1e-6, 9.99e-4, 1e-3])


def curves() -> dict[str, GaugeCurve]:
    """One of each kind, falling ones and a very uneven one among them."""
    return {
        "line": polynomial_curve((2.1,), LO, HI),
        "quadratic": polynomial_curve((20.0, -3000.0), LO, HI),
        "cubic": polynomial_curve((20.0, -3000.0, 1e5), LO, HI),
        "falling cubic": polynomial_curve((-20.0, 2000.0, -1e6), LO, HI),
        "monotone": monotone_curve(KNOTS, DELTAS, LO, HI),
        "falling monotone": monotone_curve(KNOTS, -DELTAS, LO, HI),
        "two knots": monotone_curve([-1e-3, 1e-3], [-0.02, 0.02], -1e-3, 1e-3),
        "uneven": monotone_curve(STEEP, [0.0, 5e-5, 1.048e-3, 1.098e-3], 0.0, 1e-3),
        "tension only": polynomial_curve((20.0, -1000.0), 0.0, HI),
    }


def test_monotone_curve_is_scipys_within_its_range() -> None:
    """Values and slopes are PchipInterpolator's."""
    strain = np.linspace(KNOTS[0], KNOTS[-1], 20_001)
    curve, expected = (
        monotone_curve(KNOTS, DELTAS, KNOTS[0], KNOTS[-1]),
        PchipInterpolator(KNOTS, DELTAS),
    )

    np.testing.assert_allclose(curve.delta(strain), expected(strain), rtol=1e-13, atol=1e-17)
    np.testing.assert_allclose(curve.slope(strain), expected.derivative()(strain), rtol=1e-11)


@settings(deadline=None)  # a busy machine is no failure
@given(st.lists(st.tuples(st.floats(1e-5, 1e-3), st.floats(1e-4, 1e-2)), min_size=2, max_size=12))
def test_monotone_curve_is_scipys_for_any_rising_knots(steps: list[tuple[float, float]]) -> None:
    """Slopes follow scipy's rule at every spacing; where scipy's end is flat ours refuses."""
    x, y = (np.concatenate(([0.0], np.cumsum(column))) for column in zip(*steps, strict=True))
    expected = PchipInterpolator(x, y)
    ends = expected.derivative()(x[[0, -1]])
    if np.min(ends) <= 1e-9 * np.max(y) / np.max(x):
        return
    strain = np.linspace(x[0], x[-1], 101)

    curve = monotone_curve(x, y, x[0], x[-1])

    np.testing.assert_allclose(curve.delta(strain), expected(strain), rtol=1e-11, atol=1e-15)


@pytest.mark.parametrize("name", curves())
def test_inverse_gives_the_strain_back_to_a_millionth_of_a_millionth(name: str) -> None:
    """Round trip within 1e-12 relative inside and far outside the range, and at its ends."""
    curve = curves()[name]
    strain = np.concatenate((np.linspace(-4e-3, 4e-3, 8_001), [curve.lo, curve.hi, 1e-12, -1e-12]))

    found = curve.inverse(curve.delta(strain))

    # δ itself is only known to its last bit: near a flat stretch that is more in strain.
    last_bit = 4e-16 * np.abs(curve.delta(strain)) / np.abs(curve.slope(strain))
    assert np.all(np.abs(found - strain) <= 1e-12 * np.abs(strain) + last_bit + 2e-19)


@pytest.mark.parametrize("name", curves())
def test_slope_is_the_derivative(name: str) -> None:
    """Central differences of F, knots left out of the stencil, agree with the slope."""
    curve = curves()[name]
    strain = np.linspace(-2e-3, 2e-3, 397)
    kinks = np.concatenate((curve.knots, [curve.lo, curve.hi]))
    strain = strain[np.min(np.abs(strain[:, None] - kinks), axis=1) > 2e-8]

    rise = (curve.delta(strain + 1e-8) - curve.delta(strain - 1e-8)) / 2e-8

    np.testing.assert_allclose(curve.slope(strain), rise, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("name", curves())
def test_curve_goes_on_along_its_end_tangent_and_never_clamps(name: str) -> None:
    """Beyond the range F is linear with the end's slope, and rises without end."""
    curve = curves()[name]
    for end in (curve.lo, curve.hi):
        away = end + np.array([1e-4, 2e-4, 1.0]) * np.sign(end - (curve.lo + curve.hi) / 2)
        expected = curve.delta(end) + curve.slope(end) * (away - end)

        np.testing.assert_allclose(curve.delta(away), expected, rtol=1e-12)
        np.testing.assert_allclose(curve.inverse(expected), away, rtol=1e-11)


@pytest.mark.parametrize("name", curves())
def test_nan_stays_nan_and_empty_stays_empty(name: str) -> None:
    """NaN in, NaN out, beside rows that are not touched by it."""
    curve = curves()[name]
    for function in (curve.delta, curve.inverse, curve.slope):
        found = function(np.array([np.nan, 1e-4]))

        assert np.isnan(found[0])
        assert np.isfinite(found[1])
        assert function(np.empty(0)).shape == (0,)


def test_quadratic_by_hand() -> None:
    """F = 20ε - 3000ε² at 1e-3: 0.02 - 0.003 = 0.017; slope 20 - 6 = 14."""
    curve = polynomial_curve((20.0, -3000.0), -2e-3, 2e-3)

    assert curve.delta(1e-3) == pytest.approx(0.017, rel=1e-14)
    assert curve.slope(1e-3) == pytest.approx(14.0, rel=1e-14)
    assert curve.inverse(0.017) == pytest.approx(1e-3, rel=1e-14)


@pytest.mark.parametrize(
    ("strain", "delta", "lo", "hi", "message"),
    [
        ([0.0, 1e-3], [0.0], 0.0, 1e-3, "at least two knots"),
        ([0.0, 0.0], [0.0, 1.0], 0.0, 1e-3, "must increase"),
        ([0.0, 1e-3, 2e-3], [0.0, 1.0, 0.5], 0.0, 1e-3, "rise or fall"),
        ([0.0, 1e-3], [0.0, 1.0], 0.0, 2e-3, "within the knots"),
        ([0.0, 1e-3], [0.0, 1.0], 1e-3, 0.0, "within the knots"),
        ([0.0, 1.0, 2.0], [0.0, 1e-6, 10.0], 0.0, 2.0, "not strictly monotone"),
    ],
)
def test_monotone_curve_refuses_what_cannot_be_undone(
    strain: list[float], delta: list[float], lo: float, hi: float, message: str
) -> None:
    """Knots out of order, a range outside them and a flat end are refused by name."""
    with pytest.raises(ValueError) as refused:
        monotone_curve(strain, delta, lo, hi)

    assert message in str(refused.value)


@pytest.mark.parametrize(
    ("coefficients", "lo", "hi", "message"),
    [
        ((), -1e-3, 1e-3, "1 to 3 coefficients"),
        ((1.0, 2.0, 3.0, 4.0), -1e-3, 1e-3, "1 to 3 coefficients"),
        ((20.0,), 1e-3, 1e-3, "is empty"),
        ((20.0, -15_000.0), -1e-3, 1e-3, "not strictly monotone"),
        ((0.0,), -1e-3, 1e-3, "not strictly monotone"),
    ],
)
def test_polynomial_curve_refuses_what_cannot_be_undone(
    coefficients: tuple[float, ...], lo: float, hi: float, message: str
) -> None:
    """A turning point within the range, among others, is refused by name."""
    with pytest.raises(ValueError) as refused:
        polynomial_curve(coefficients, lo, hi)

    assert message in str(refused.value)


def test_smallest_slope_is_the_one_at_the_flat_end() -> None:
    """20 - 6000·1e-3 = 14 at the upper end, by hand."""
    curve = polynomial_curve((20.0, -3000.0), -1e-3, 1e-3)

    assert curve.smallest_slope == pytest.approx(14.0, rel=1e-12)


def _random_deltas(n: int) -> npt.NDArray[np.float64]:
    return np.random.default_rng(2).uniform(-0.05, 0.05, n)


@pytest.mark.parametrize("name", curves())
def test_inverse_of_a_row_does_not_depend_on_its_neighbours(name: str) -> None:
    """Each row alone gives the bits that it gives among others: cutting changes nothing."""
    curve, deltas = curves()[name], _random_deltas(50)
    together = curve.inverse(deltas)

    alone = np.array([curve.inverse(deltas[i : i + 1])[0] for i in range(len(deltas))])

    np.testing.assert_allclose(alone, together, rtol=4e-15)
