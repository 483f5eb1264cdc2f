"""
Propagated uncertainty of rosettes and sections against Monte Carlo (JCGM 101), through the chain.

Every time stamp is a trial: what the gauges show is made with factors, a thermometer, meters,
directions and a transverse sensitivity drawn at random, and the chain works with what it was told.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import Results
from pipeline.derive.chain import initial_state, run_chain
from pipeline.physics.rosette import principal_strain, rosette_matrix
from pipeline.site.models import Temperature
from tests.derive.derived import (
    FACTOR,
    column,
    derived_plan,
    gauge,
    line,
    rosette,
    section,
    sheet,
    shown,
)

pytestmark = pytest.mark.slow

Floats = npt.NDArray[np.float64]

TRIALS = 20_000
NORMAL = 1.959964 / 2.0
"""U95/2 over the standard uncertainty."""
FACTOR_U, SENSOR_U, READING_U, OUTPUT = 0.01, 0.5, 2e-6, 4.0
"""Relative; K; in δ; thermal output in µm/m per K."""
UNSTRAINED_OHM = 0.03
"""u of 10 kΩ, 3e-6 in δ; no zero: it would share its thermometer."""
TRUTH = np.array([600.0, -200.0, 400.0])
"""(ε_x, ε_y, γ_xy) in µm/m."""


def told() -> object:
    """The calibration as the chain knows it."""
    output = Temperature(output_um_m=(OUTPUT,), output_factor=FACTOR, yields="mechanical",
                         range_c=(-10.0, 50.0), sensor_u_k=SENSOR_U)  # fmt: skip
    known = line(covariance=(((FACTOR_U * FACTOR) ** 2,),), reading_u=READING_U)
    return sheet(curve=known, temperature=output)


def drawn(strains: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """
    What gauges A, B, … show as strain of the told factor, for true strains of shape (n, k).

    One factor and one thermometer error a trial for all gauges; meter and unstrained value each
    gauge's own.
    """
    n, k = strains.shape
    factor = 1.0 + FACTOR_U * rng.normal(size=(n, 1))
    warmth = OUTPUT * SENSOR_U * rng.normal(size=(n, 1))
    own = np.hypot(READING_U, 3e-6) / FACTOR * 1e6 * rng.normal(size=(n, k))
    seen = strains * factor + warmth + own
    return dict(zip("ABCD", seen.T, strict=False))


def run(strains: dict[str, Floats], **elements: object) -> Results:
    """All trials as one window, at 20 °C, where no thermal output is taken off."""
    gauges = tuple(gauge(serial, unstrained_u=UNSTRAINED_OHM) for serial in strains)
    plan = derived_plan(gauges, sheets=(told(),), **elements)  # type: ignore[arg-type]
    stream = shown(strains, np.arange(float(TRIALS)), ts=20.0)
    return run_chain(stream, initial_state(plan), plan)[0]


def assert_stated(results: Results, point: str, quantity: str, true: float) -> None:
    """Mean and spread of the trials against the truth and the stated u, within 3 %."""
    value, u = (column(results, point, quantity, name) for name in ("value", "u"))
    spread = float(np.std(value - true))
    stated = float(np.sqrt(np.mean(u**2))) / NORMAL

    assert stated == pytest.approx(spread, rel=0.03), quantity
    assert abs(np.mean(value) - true) < 0.1 * spread, quantity
    assert np.mean(np.abs(value - true) <= 2.0 * u) == pytest.approx(0.95, abs=0.01), quantity


@pytest.mark.parametrize("layout", ["rectangular", "delta"])
def test_rosette_states_what_it_scatters(layout: str) -> None:
    """Principal strains, angle, shear and stress, with directions and K_t of their own u."""
    rng = np.random.default_rng(101)
    steps = {"rectangular": (0.0, 45.0, 90.0), "delta": (0.0, 60.0, 120.0)}[layout]
    angles = np.radians(steps) + np.radians(1.0) * rng.normal(size=(TRIALS, 3))
    across = 0.02 + 0.01 * rng.normal(size=TRIALS)
    matrices = [rosette_matrix(a, k, 0.285) for a, k in zip(angles, across, strict=True)]
    one = rosette(layout=layout, angle_u_deg=1.0, transverse_a_percent=2.0,
                  transverse_b_percent=2.0, transverse_c_percent=2.0, transverse_u_percent=1.0,
                  modulus_gpa=200.0, poisson=0.3)  # fmt: skip

    results = run(drawn(np.array(matrices) @ TRUTH, rng), rosettes=(one,))

    first, second, angle, shear = principal_strain(TRUTH[None])[0]
    stress = 200e3 / (1.0 - 0.09) * 1e-6
    for quantity, true in (
        ("strain_x", TRUTH[0]),
        ("shear_strain_xy", TRUTH[2]),
        ("principal_strain_1", first),
        ("principal_strain_2", second),
        ("principal_angle", np.degrees(angle)),
        ("max_shear_strain", shear),
        ("principal_stress_1", stress * (first + 0.3 * second)),
        ("principal_stress_2", stress * (second + 0.3 * first)),
    ):
        assert_stated(results, "ros", quantity, float(true))


def test_section_states_what_it_scatters() -> None:
    """Axial strain, curvature, neutral axis and moment of four points with one thermometer."""
    z = np.array([-0.9, -0.5, 0.1, 0.4])
    true = 60.0 - 400.0 * z
    places = {f"P-{name}": (0.0, float(at)) for name, at in zip("ABCD", z, strict=True)}
    strains = np.broadcast_to(true, (TRIALS, 4))
    one = section(modulus_gpa=200.0, inertia_y_m4=1e-3, off_plane_um_m=0.0)

    seen = drawn(strains, np.random.default_rng(102))
    results = run(seen, sections=(one,), places=places)

    for quantity, value in (
        ("axial_strain", 60.0),
        ("curvature_y", -400.0),
        ("neutral_axis_z", 0.15),
        ("moment_y", -80.0),
    ):
        assert_stated(results, "sec", quantity, value)
    chi2 = column(results, "sec", "plane_chi2")
    assert np.mean(chi2) == pytest.approx(2.0, abs=0.06)
    neighbour = column(results, "sec", "axial_strain", "flag") == 3
    assert neighbour.mean() == pytest.approx(0.001, abs=0.0008)


def test_without_what_they_share_the_statement_would_be_wrong() -> None:
    """The trials tell: u of ε_1 + ε_2 and of a curvature is not that of independent gauges."""
    seen = drawn(np.broadcast_to(600.0, (TRIALS, 2)), np.random.default_rng(103))
    places = {"P-A": (0.0, -0.5), "P-B": (0.0, 0.5)}

    results = run(seen, sections=(section(),), places=places)

    own = [column(results, f"P-{name}", "strain", "u") / NORMAL for name in "AB"]
    independent = float(np.mean(np.hypot(*own)))
    spread = float(np.std(column(results, "sec", "curvature_y")))
    assert spread < 0.4 * independent
    assert_stated(results, "sec", "curvature_y", 0.0)
    assert_stated(results, "sec", "axial_strain", 600.0)
