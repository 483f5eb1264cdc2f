"""
Rosettes against printed examples, by hand, and against the tensor they came from.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics.rosette import (
    Floats,
    direction_slopes,
    plane_stress,
    principal_slopes,
    principal_strain,
    rosette_matrix,
    rotated_strain,
    worst_amplification,
)

RECTANGULAR = np.radians((0.0, 45.0, 90.0))
DELTA = np.radians((0.0, 60.0, 120.0))

TENSORS = st.tuples(*[st.floats(-2e-3, 2e-3)] * 3).map(lambda t: np.array([t]))
ANGLES = st.floats(-np.pi, np.pi)


def solved(readings: tuple[float, ...], angles: Floats, **of: float) -> Floats:
    """(ε_x, ε_y, γ_xy) of three readings, in their unit."""
    return np.asarray(np.linalg.solve(rosette_matrix(angles, **of), np.array(readings)))


def test_delta_rosette_of_a_textbook() -> None:
    """
    Readings 60, 135, 264 µm/m at 0/60/120: ε_x 60, ε_y 246, γ -149; ε_1 272, ε_2 33.8 at 19.3°.

    Hibbeler, Mechanics of Materials, 60° rosette; with E 200 GPa, ν 0.3: σ 62.0 and 25.4 MPa. The
    book goes on with γ rounded to -149, which costs 0.05 in ε_2.
    """
    found = solved((60.0, 135.0, 264.0), DELTA)
    first, second, angle, shear = principal_strain(found[None])[0]
    stress = plane_stress(first * 1e-6, second * 1e-6, 200e9, 0.3)

    assert found == pytest.approx([60.0, 246.0, -149.0], abs=0.5)
    assert first == pytest.approx(272.0, abs=0.5)
    assert second == pytest.approx(33.8, abs=0.06)
    assert np.degrees(angle) == pytest.approx(19.3 - 90.0, abs=0.05)
    assert shear == pytest.approx(first - second)
    assert stress * 1e-6 == pytest.approx([62.0, 25.4], abs=0.05)


def test_principal_strains_of_a_textbook() -> None:
    """
    ε_x 770, ε_y -350, γ 1940 µm/m: 1330.04, -910.04, tan 2φ = 1.732; σ_y -7.53, τ_xy 51.05 MPa.

    Philpot, Mechanics of Materials, principal stresses from rosette data, E 70 GPa, ν 0.33.
    """
    strain = np.array([[770.0, -350.0, 1940.0]])
    first, second, angle, _ = principal_strain(strain)[0]
    stress = plane_stress(first * 1e-6, second * 1e-6, 70e9, 0.33) * 1e-6
    along = plane_stress(770e-6, -350e-6, 70e9, 0.33) * 1e-6
    shear = (stress[0] - stress[1]) / 2.0 * np.sin(2.0 * angle)

    assert first == pytest.approx(1330.04, abs=0.005)
    assert second == pytest.approx(-910.04, abs=0.005)
    assert np.tan(2.0 * angle) == pytest.approx(1.732, abs=0.0005)
    assert along[1] == pytest.approx(-7.53, abs=0.005)
    assert shear == pytest.approx(51.05, abs=0.005)


@pytest.mark.parametrize(
    ("angles", "readings", "expected"),
    [
        (RECTANGULAR, (100.0, 50.0, -60.0), (100.0, -60.0, 60.0)),
        (DELTA, (90.0, 30.0, -45.0), (90.0, -40.0, 150.0 / np.sqrt(3.0))),
    ],
)
def test_layouts_give_the_handbook_forms(
    angles: Floats, readings: tuple[float, ...], expected: tuple[float, ...]
) -> None:
    """0/45/90: γ = 2b - a - c. 0/60/120: ε_y = (2b + 2c - a)/3, γ = 2(b - c)/√3."""
    assert solved(readings, angles) == pytest.approx(expected, rel=1e-12)


def test_transverse_sensitivity_of_two_gauges_at_right_angles() -> None:
    """
    K_t 2 %, ν_0 0.3, readings 500 and -300: ε = (1 - ν_0·K)/(1 - K²)·(ε̂ - K·ε̂_across).

    From ε̂_a(1 - ν_0·K) = ε_x + K·ε_y and the same with a and c exchanged, solved for ε_x.
    """
    k, factor = 0.02, (1.0 - 0.3 * 0.02) / (1.0 - 0.02**2)
    found = solved((500.0, 80.0, -300.0), RECTANGULAR, transverse=k, calibration_poisson=0.3)

    assert found[0] == pytest.approx(factor * (500.0 + k * 300.0), rel=1e-12)
    assert found[1] == pytest.approx(factor * (-300.0 - k * 500.0), rel=1e-12)


def test_transverse_sensitivity_does_not_show_on_the_bar_of_the_calibration() -> None:
    """In uniaxial stress on a bar of ν_0 a gauge along it reads the strain, whatever its K_t."""
    on_bar = np.array([1000.0, -285.0, 0.0])

    reading = rosette_matrix([0.0], 0.05, 0.285) @ on_bar

    assert reading == pytest.approx([1000.0], rel=1e-12)


@given(tensor=TENSORS, first=ANGLES, steps=st.tuples(*[st.floats(0.4, 1.3)] * 2))
def test_three_gauges_give_back_the_tensor_they_read(
    tensor: Floats, first: float, steps: tuple[float, float]
) -> None:
    """Any three directions, unequal transverse sensitivities: what they read gives the tensor."""
    angles = first + np.array([0.0, steps[0], steps[0] + steps[1]])
    matrix = rosette_matrix(angles, [0.01, -0.03, 0.02], 0.285)

    found = np.linalg.solve(matrix, matrix @ tensor[0])

    assert found == pytest.approx(tensor[0], abs=1e-12)


@given(tensor=TENSORS, turn=ANGLES)
def test_turning_the_axes_and_back_is_nothing_and_moves_no_principal_strain(
    tensor: Floats, turn: float
) -> None:
    """Round trip of the transformation; ε_1 and ε_2 are the tensor's own."""
    turned = rotated_strain(tensor, turn)

    assert rotated_strain(turned, -turn) == pytest.approx(tensor, abs=1e-15)
    assert principal_strain(turned)[:, :2] == pytest.approx(
        principal_strain(tensor)[:, :2], abs=1e-15
    )


@given(tensor=TENSORS)
def test_along_the_principal_angle_there_is_the_greater_strain_and_no_shear(
    tensor: Floats,
) -> None:
    """Axes turned by φ see ε_1, ε_2 and γ = 0; φ lies in (-π/2, π/2]; the trace is kept."""
    first, second, angle, shear = principal_strain(tensor)[0]

    assert rotated_strain(tensor, angle)[0] == pytest.approx([first, second, 0.0], abs=1e-15)
    assert -np.pi / 2.0 < angle <= np.pi / 2.0
    assert first + second == pytest.approx(tensor[0, 0] + tensor[0, 1], abs=1e-15)
    assert shear == pytest.approx(first - second, abs=1e-15)


@pytest.mark.parametrize("zero", [0.0, -0.0])
def test_the_end_of_the_range_is_plus_ninety(zero: float) -> None:
    """ε_y greater and no shear: 90°, never -90°, whatever the sign of the zero."""
    assert principal_strain(np.array([[-1.0, 1.0, zero]]))[0, 2] == pytest.approx(np.pi / 2.0)


def test_where_all_directions_are_principal_the_angle_is_open() -> None:
    """Equal strains without shear: φ is 0 by convention and its slopes are endless."""
    same = np.array([[2e-4, 2e-4, 0.0]])

    assert principal_strain(same)[0] == pytest.approx([2e-4, 2e-4, 0.0, 0.0])
    assert np.isinf(principal_slopes(same)[0, 2]).all()
    assert np.isfinite(principal_slopes(same)[0, [0, 1, 3]]).all()


@given(tensor=TENSORS.filter(lambda t: np.hypot(t[0, 0] - t[0, 1], t[0, 2]) > 1e-5))
def test_slopes_are_those_of_a_small_step(tensor: Floats) -> None:
    """Central differences of 1e-9 m/m, where there is a direction to speak of."""
    slopes = principal_slopes(tensor)[0]
    for i in range(3):
        step = np.zeros((1, 3))
        step[0, i] = 1e-9
        moved = principal_strain(tensor + step)[0] - principal_strain(tensor - step)[0]
        moved[2] = (moved[2] + np.pi / 2.0) % np.pi - np.pi / 2.0  # across the end of the range

        assert moved / 2e-9 == pytest.approx(slopes[:, i], rel=1e-4, abs=1e-3)


@given(tensor=TENSORS, angle=ANGLES)
def test_direction_slopes_are_those_of_a_turned_gauge(tensor: Floats, angle: float) -> None:
    """What a turned gauge reads more, and what lies across it."""
    turning, across = direction_slopes(tensor, [angle])
    ends = rosette_matrix([angle - 1e-6, angle + 1e-6, angle + np.pi / 2.0]) @ tensor[0]

    assert turning[0, 0] == pytest.approx((ends[1] - ends[0]) / 2e-6, abs=1e-8)
    assert across[0, 0] == pytest.approx(ends[2], abs=1e-15)


def test_errors_are_multiplied_most_where_directions_come_close() -> None:
    """0/60/120: MᵀM has eigenvalues 3/2, 3/4, 3/8, so √(8/3); two equal directions: no end."""
    assert worst_amplification(DELTA) == pytest.approx(np.sqrt(8.0 / 3.0), rel=1e-12)
    assert worst_amplification(RECTANGULAR) > worst_amplification(DELTA)
    assert worst_amplification(np.radians((0.0, 180.0, 45.0))) == np.inf
