"""
Planes through strains: by hand, weights and correlations included, and against random draws.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.physics.section import (
    Floats,
    determines_plane,
    fit_operator,
    neutral_axis,
    neutral_axis_angle,
    off_plane_basis,
    plane_chi2,
    section_design,
)

UP = (-0.6, 0.0, 0.6)
MICRO = 1e-6


def fitted(strain: list[float], variance: list[float], z: tuple[float, ...] = UP) -> Floats:
    """(ε_0, κ_y) of one row, reference at z = 0; strains and variances in µm/m."""
    design = section_design(np.zeros(len(z)), z, (0.0, 0.0), "y")
    operator = fit_operator(design, np.array([variance]) * MICRO**2)
    return np.asarray(operator[0] @ np.array(strain))


def test_plane_of_three_points_by_hand() -> None:
    """
    120, 12, -84 at z = -0.6, 0, 0.6, weights alike: ε_0 is their mean, 16; κ = Σz·ε/Σz² = -170.
    """
    assert fitted([120.0, 12.0, -84.0], [1.0, 1.0, 1.0]) == pytest.approx([16.0, -170.0], rel=1e-12)


def test_plane_follows_the_better_known_points() -> None:
    """
    Weights 1, 4, 1 for 30, 0, 30 at -0.6, 0, 0.6: by symmetry κ = 0, ε_0 = 60/6 = 10.

    The weighted mean, since no line through symmetric points does better.
    """
    assert fitted([30.0, 0.0, 30.0], [4.0, 1.0, 4.0]) == pytest.approx([10.0, 0.0], abs=1e-9)


def test_two_points_fix_their_line_whatever_their_weights() -> None:
    """100 at -0.5 and 0 at 0.5: ε_0 50, κ -100."""
    found = fitted([100.0, 0.0], [1.0, 900.0], (-0.5, 0.5))

    assert found == pytest.approx([50.0, -100.0], rel=1e-9)


@given(
    plane=st.tuples(*[st.floats(-1e-3, 1e-3)] * 3),
    places=st.lists(st.tuples(*[st.floats(-3.0, 3.0)] * 2), min_size=5, max_size=5),
    weights=st.lists(st.floats(1e-14, 1e-9), min_size=5, max_size=5),
)
def test_points_on_a_plane_give_it_back(
    plane: tuple[float, ...], places: list[tuple[float, float]], weights: list[float]
) -> None:
    """Any places that fix a plane, any weights: the coefficients come back and χ² is 0."""
    y, z = np.array(places).T
    design = section_design(y, z, (0.4, -1.1), "both")
    away = design[:, 1:] - design[:, 1:].mean(axis=0)
    assume(np.linalg.svd(away, compute_uv=False)[-1] > 0.3)
    strain = (design @ np.array(plane))[None]

    found = fit_operator(design, np.array([weights])) @ strain[0]
    covariance = np.diag(weights)[None]

    assert found[0] == pytest.approx(plane, abs=1e-10)
    assert plane_chi2(strain, covariance, off_plane_basis(design))[0] < 1e-6


def chi2_of(strain: list[float], covariance: Floats) -> float:
    """χ² of three points at -0.6, 0, 0.6; µm/m and (µm/m)²."""
    basis = off_plane_basis(section_design(np.zeros(3), UP, (0.0, 0.0), "y"))
    row = np.array([strain]) * MICRO
    return float(plane_chi2(row, covariance[None] * MICRO**2, basis)[0])


def test_distance_from_a_plane_by_hand() -> None:
    """
    The only thing that no line explains is (ε_1 - 2ε_2 + ε_3)/√6; with 0, 12, 0 and u = 4 each
    χ² = (24²/6)/16 = 6.
    """
    assert chi2_of([0.0, 12.0, 0.0], 16.0 * np.eye(3)) == pytest.approx(6.0, rel=1e-6)


def test_distance_does_not_see_what_is_common_to_all_points() -> None:
    """A shift of all strains, and one in proportion to z, lie in the plane: χ² stays 6."""
    shift, tilt = np.ones((3, 1)), np.array([UP]).T
    common = 16.0 * np.eye(3) + 900.0 * shift @ shift.T + 400.0 * tilt @ tilt.T

    assert chi2_of([0.0, 12.0, 0.0], common) == pytest.approx(6.0, rel=1e-6)


def test_distance_sees_an_error_that_only_one_point_has() -> None:
    """Ends of u 4 and the middle of u 8: Var(ε_1 - 2ε_2 + ε_3) = 16 + 4·64 + 16 = 288; 24²/288."""
    covariance = np.diag([16.0, 64.0, 16.0])

    assert chi2_of([0.0, 12.0, 0.0], covariance) == pytest.approx(2.0, rel=1e-6)


def test_distance_of_sound_sections_is_distributed_as_it_is_said() -> None:
    """Five points, correlated errors of unequal size, 20 000 draws: mean 2, variance 4, 5 %."""
    rng = np.random.default_rng(11)
    design = section_design([0, 1, 0, 1, 0.4], [0, 0, 1, 1, 0.7], (0, 0), "both")
    root = rng.normal(size=(5, 5)) * np.array([1.0, 2.0, 0.5, 3.0, 1.0])[:, None] * MICRO
    covariance = np.broadcast_to(root @ root.T, (20_000, 5, 5))
    strain = rng.normal(size=(20_000, 5)) @ root.T + design @ np.array([1e-4, 2e-4, -3e-4])

    chi2 = plane_chi2(strain, covariance, off_plane_basis(design))

    assert chi2.mean() == pytest.approx(2.0, abs=0.05)
    assert chi2.var() == pytest.approx(4.0, abs=0.3)
    assert np.mean(chi2 > 5.991) == pytest.approx(0.05, abs=0.006)  # 5.991: table of χ², 2, 5 %


def test_neutral_axis_by_hand() -> None:
    """ε_0 40 at z = -0.3, κ -200 per m: strain is 0 at -0.3 + 40/200 = -0.1 m."""
    place, slopes = neutral_axis(np.array([40e-6]), np.array([-200e-6]), -0.3)

    assert place[0] == pytest.approx(-0.1, rel=1e-12)
    assert slopes[0] == pytest.approx([1.0 / 200e-6, 40e-6 / 200e-6**2], rel=1e-12)


@pytest.mark.parametrize(
    ("about_y", "about_z", "degrees"),
    [(1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (1.0, 1.0, -45.0), (1.0, -1.0, 45.0), (0.0, 2.0, 90.0)],
)
def test_neutral_axis_angle_by_hand(about_y: float, about_z: float, degrees: float) -> None:
    """Along it κ_y·dz + κ_z·dy = 0: equal curvatures fall by a metre for a metre of y."""
    angle, _ = neutral_axis_angle(np.array([about_y]), np.array([about_z]))

    assert np.degrees(angle[0]) == pytest.approx(degrees, abs=1e-9)


@given(about_y=st.floats(-5.0, 5.0), about_z=st.floats(-5.0, 5.0))
def test_neutral_axis_angle_slopes_are_those_of_a_small_step(
    about_y: float, about_z: float
) -> None:
    """Central differences, where there is curvature to speak of."""
    assume(np.hypot(about_y, about_z) > 0.1)
    slopes = neutral_axis_angle(np.array([about_y]), np.array([about_z]))[1][0]
    for i, step in enumerate(np.eye(2) * 1e-6):
        ends = [
            neutral_axis_angle(np.array([about_y + s * step[0]]), np.array([about_z + s * step[1]]))
            for s in (-1.0, 1.0)
        ]
        moved = (ends[1][0][0] - ends[0][0][0] + np.pi / 2.0) % np.pi - np.pi / 2.0

        assert moved / 2e-6 == pytest.approx(slopes[i], rel=1e-4, abs=1e-5)


@pytest.mark.parametrize(
    ("y", "z", "bending", "can"),
    [
        ([0, 0], [-1, 1], "y", True),
        ([0, 0], [1, 1], "y", False),
        ([0], [1], "y", False),
        ([0, 1, 0], [0, 0, 1], "both", True),
        ([0, 1, 2], [0, 1, 2], "both", False),
        ([0, 1], [0, 1], "both", False),
        ([0, 1, np.nan], [0, 0, 1], "both", False),
    ],
)
def test_too_few_points_or_points_in_a_line_fix_no_plane(
    y: list[float], z: list[float], bending: str, can: bool
) -> None:
    """One axis needs two places that differ, both need three that are not in one line."""
    design = section_design(y, z, (0.0, 0.0), bending)  # type: ignore[arg-type]  # parametrised

    assert determines_plane(design) is can
