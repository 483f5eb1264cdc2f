"""
Bridges of several active arms against node voltages of four resistances, written here anew.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.physics.arms import SEVERAL, BridgeCurve, arm_strains, equivalent_delta, output_ratio
from pipeline.physics.curve import GaugeCurve, monotone_curve, polynomial_curve

Floats = npt.NDArray[np.float64]
REFERENCE = Path(__file__).parents[3] / "shared" / "reference" / "strain"
POISSON = 0.3

# Where each gauge sits: along the strain on the stretched face, across it, on the other face.
ALONG, ACROSS, BELOW, BELOW_ACROSS = 1.0, -POISSON, -1.0, POISSON
PLACED: dict[str, tuple[float | None, float | None, float | None, float | None]] = {
    "half_bending": (ALONG, BELOW, None, None),
    "half_poisson": (ALONG, ACROSS, None, None),
    "full_bending": (ALONG, BELOW, ALONG, BELOW),
    "full_poisson_bending": (ALONG, ACROSS, BELOW_ACROSS, BELOW),
    "full_poisson_axial": (ALONG, ACROSS, ALONG, ACROSS),
}
BENT = polynomial_curve((20.0, -1500.0, -9e5), -1500e-6, 1500e-6)


def voltage(
    wiring: str,
    load: list[Floats],
    *,
    common: float = 0.0,
    lead: float = 0.0,
) -> Floats:
    """
    Output over excitation of four resistors of 1 kΩ at rest, by node voltages.

    Arm 1 from ground to the left node, arm 2 from there to the excitation; arm 4 from ground to
    the right node, arm 3 from there to the excitation.
    """
    r1, r2, r3, r4 = (
        np.full_like(part, 1000.0)
        if place is None
        else 1000.0 * (1.0 + common + part) + 1000.0 * lead
        for place, part in zip(PLACED[wiring], load, strict=True)
    )
    return np.asarray(r1 / (r1 + r2) - r4 / (r3 + r4))


def loads(wiring: str, curve: GaugeCurve, strain: Floats, factor: float = 1.0) -> list[Floats]:
    """g·F of each arm; nothing for a passive one."""
    return [
        np.zeros_like(strain) if place is None else factor * curve.delta(place * strain)
        for place in PLACED[wiring]
    ]


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_curve_undoes_node_voltages_with_climate_sensitivity_and_leads(wiring: str) -> None:
    """A, H and age in every arm, c_k in every arm, a lead in every arm: the strain comes back."""
    strain = np.concatenate((np.linspace(-1400e-6, 1400e-6, 57), [1e-9, -3e-7]))
    for common, factor, lead in ((0.0, 1.0, 0.0), (0.03, 0.96, 0.0), (-0.02, 1.05, 0.01)):
        output = voltage(wiring, loads(wiring, BENT, strain, factor), common=common, lead=lead)
        curve = BridgeCurve(BENT, wiring, POISSON, lead)
        y = equivalent_delta(output, wiring, POISSON) * (1.0 + lead)

        found = curve.inverse(y, curve.gain_of(factor, common))

        # An output of node voltages is a difference: it is good to 2e-16 V/V, 1e-17 of strain.
        np.testing.assert_allclose(found, strain, rtol=1e-11, atol=1e-16)


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_tension_is_positive(wiring: str) -> None:
    """A stretched arm 1 lifts the output, and a positive output is a positive strain."""
    strain = np.array([-800e-6, 800e-6])
    output = voltage(wiring, loads(wiring, BENT, strain))
    curve = BridgeCurve(BENT, wiring, POISSON)

    assert np.array_equal(np.sign(output), [-1.0, 1.0])
    found = curve.inverse(equivalent_delta(output, wiring, POISSON))
    assert np.array_equal(np.sign(found), [-1.0, 1.0])


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_gauges_of_constant_factor_keep_their_closed_form(wiring: str) -> None:
    """For F = k·ε the variable is k·ε, whatever the leads, and the inverse is its quotient."""
    line = polynomial_curve((2.1,), -3e-3, 3e-3)
    curve = BridgeCurve(line, wiring, POISSON, 0.02)
    strain = np.linspace(-3e-3, 3e-3, 41)
    output = voltage(wiring, loads(wiring, line, strain), lead=0.02)
    y = equivalent_delta(output, wiring, POISSON) * 1.02

    np.testing.assert_allclose(y, 2.1 * strain, rtol=1e-12, atol=1e-15)
    np.testing.assert_array_equal(curve.delta(strain), 2.1 * strain)
    np.testing.assert_array_equal(curve.inverse(2.1 * strain), (2.1 * strain) / 2.1)
    np.testing.assert_allclose(curve.inverse(y * 0.97, 0.97), strain, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_bent_path_agrees_with_the_closed_form_in_the_limit_of_a_line(wiring: str) -> None:
    """A curve bent by nothing worth mentioning goes through Newton, and gives what a line gives."""
    nearly = polynomial_curve((2.1, 1e-12), -3e-3, 3e-3)
    curve = BridgeCurve(nearly, wiring, POISSON)
    strain = np.linspace(-3e-3, 3e-3, 40)

    assert curve.factor is None
    np.testing.assert_allclose(curve.delta(strain), 2.1 * strain, rtol=1e-13)
    np.testing.assert_allclose(curve.inverse(2.1 * strain), strain, rtol=1e-13)


@st.composite
def curves(draw: st.DrawFn) -> GaugeCurve:
    """Monotone curves through knots on both sides of 0, rising or falling."""
    steps = draw(st.lists(st.floats(5e-5, 9e-4), min_size=6, max_size=6))
    factors = draw(st.lists(st.floats(9.0, 24.0), min_size=6, max_size=6))
    x, y = (
        np.cumsum([0.0, *steps]),
        np.cumsum([0.0, *(s * f for s, f in zip(steps, factors, strict=True))]),
    )
    sign = draw(st.sampled_from([1.0, -1.0]))
    x, y = x - x[3], sign * (y - y[3])
    try:
        return monotone_curve(x, y, float(x[0]), float(x[-1]))
    except ValueError:  # an end tangent of zero: refused, as it must be
        assume(False)
        raise


@pytest.mark.slow
@settings(deadline=None, max_examples=200)
@given(
    curve=curves(),
    wiring=st.sampled_from(sorted(SEVERAL)),
    poisson=st.floats(0.05, 0.45),
    lead=st.sampled_from([0.0, 0.03]),
    gain=st.floats(0.85, 1.15),
    places=st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=20),
)
def test_inverse_is_exact_and_monotone_over_random_curves(
    curve: GaugeCurve,
    wiring: str,
    poisson: float,
    lead: float,
    gain: float,
    places: list[float],
) -> None:
    """`delta` undone to 1e-12, within the range and half of it beyond, and never out of order."""
    bridge = BridgeCurve(curve, wiring, poisson, lead)
    span = np.where(np.array(places) > 0.0, bridge.hi, -bridge.lo)
    strain = np.sort(np.array(places) * span)

    y = bridge.delta(strain, gain)
    back = bridge.inverse(y, gain)

    # A knot's piece counts from its left end: 1e-12 relative down to 1 µm/m, the same part below.
    np.testing.assert_allclose(back, strain, rtol=1e-12, atol=1e-18)
    sign = np.sign(float(curve.slope(0.0)))
    # Strains nearer to each other than the last digit of δ may change places there.
    assert np.all(np.diff(sign * y) >= -1e-16)


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_steep_stairs_in_a_curve_are_climbed_by_bisection(wiring: str) -> None:
    """Within 2 µm/m δ rises by as much as in the rest together: Newton alone leaps over it."""
    x = np.array([-1500.0, -700.0, -502.0, -500.0, 0.0, 500.0, 502.0, 700.0, 1500.0]) * 1e-6
    y = 5.0 * x + 4e-3 * (np.sign(x - 501e-6) + np.sign(x + 501e-6)) / 2.0
    curve = BridgeCurve(monotone_curve(x, y, x[0], x[-1]), wiring, POISSON)
    strain = np.concatenate((np.linspace(490e-6, 512e-6, 89), np.linspace(-512e-6, -490e-6, 89)))

    np.testing.assert_allclose(curve.inverse(curve.delta(strain)), strain, rtol=1e-11)


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
def test_slope_and_shares_are_those_of_finite_differences(wiring: str) -> None:
    """dG/dε, and dy/dF_i for a change of one arm's load alone, by central differences."""
    lead, step = 0.02, 1e-7
    curve = BridgeCurve(BENT, wiring, POISSON, lead)
    strain = np.array([-900e-6, -20e-6, 300e-6, 1100e-6])

    def y_of(parts: list[Floats]) -> Floats:
        output = voltage(wiring, parts, lead=lead)
        return equivalent_delta(output, wiring, POISSON) * (1.0 + lead)

    slope = (curve.delta(strain + 1e-9) - curve.delta(strain - 1e-9)) / 2e-9
    np.testing.assert_allclose(curve.slope(strain), slope, rtol=1e-6)
    active = [i for i, place in enumerate(PLACED[wiring]) if place is not None]
    for i, (_, share) in zip(active, curve.shares(strain), strict=True):
        parts = loads(wiring, BENT, strain)
        up, down = list(parts), list(parts)
        up[i], down[i] = parts[i] + step, parts[i] - step
        np.testing.assert_allclose(share, (y_of(up) - y_of(down)) / (2 * step), rtol=1e-6)


def test_range_ends_where_the_first_arm_leaves_its_own() -> None:
    """By hand for F on [-1200, 1500] µm/m and ν = 0.3: bending ±1200, Poisson -1200 to 1500."""
    bent = polynomial_curve((20.0, -1500.0), -1200e-6, 1500e-6)
    one_sided = polynomial_curve((20.0, -1500.0), -200e-6, 1500e-6)

    bending = BridgeCurve(bent, "half_bending", 0.0)
    across = BridgeCurve(bent, "half_poisson", 0.3)
    limited = BridgeCurve(one_sided, "full_poisson_axial", 0.3)

    assert (bending.lo, bending.hi) == (-1200e-6, 1200e-6)
    assert (across.lo, across.hi) == (-1200e-6, 1500e-6)
    assert limited.hi == pytest.approx(200e-6 / 0.3)  # the arm across is compressed by 200


@pytest.mark.parametrize("wiring", sorted(SEVERAL))
@pytest.mark.parametrize("delta", [1.0, -1.0, 40.0, -40.0, np.nan])
def test_outputs_that_no_arms_give_are_nan_and_leave_their_neighbours(
    wiring: str, delta: float
) -> None:
    """No arm has a resistance of nothing or less; the rows beside are what they are alone."""
    curve = BridgeCurve(BENT, wiring, POISSON)
    y = curve.delta(np.array([1e-4]))

    found = curve.inverse(np.concatenate((y, [delta])))

    assert found[0] == curve.inverse(y)[0]
    assert np.isnan(found[1]) or abs(found[1]) < 0.5  # a Poisson arm reaches far before it empties
    if abs(delta) > 2.0 or np.isnan(delta):
        assert np.isnan(found[1])


def test_empty_and_scalar_strains_go_through() -> None:
    """No rows, no rows; a number, a number."""
    curve = BridgeCurve(BENT, "full_bending", 0.0)

    assert curve.inverse(np.empty(0)).shape == (0,)
    assert float(curve.inverse(curve.delta(3e-4))) == pytest.approx(3e-4, rel=1e-12)


def test_arms_meet_the_whole_reference_table() -> None:
    """Every row of bridge_half_full_small.csv forward, to its printed digits."""
    table = REFERENCE / "bridge_half_full_small.csv"
    if not table.exists():
        pytest.skip("../shared/reference is not beside this checkout")
    lines = [line for line in table.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))

    assert len(rows) == 8
    for row in rows:
        factor, strain = float(row["gauge_factor"]), float(row["strain_microstrain"]) * 1e-6
        arms = arm_strains(row["configuration"], float(row["poisson"]))
        output = output_ratio([factor * a * strain for a in arms]) * 1e3
        printed = float(row["ratio_exact_mV_per_V"])
        assert float(f"{float(output):.12g}") == pytest.approx(printed, rel=2e-12)
