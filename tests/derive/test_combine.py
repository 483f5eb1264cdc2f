"""
Rosettes and sections behind the gauges: values, joins, flags, and what a broken plane shows.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    TEST_BIT,
    Results,
    concat_readings,
)
from pipeline.derive.chain import initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.errors import ConfigError
from tests.derive.derived import column, derived_plan, gauge, rosette, section, sheet, shown
from tests.derive.examples import zero
from tests.derive.streams import assert_close, readings

ABC = (gauge("A"), gauge("B"), gauge("C"))
ZEROED = tuple(zero(serial, 0.0, offset_delta=0.0, offset_delta_u=0.0) for serial in "ABCD")
STEEL = {"modulus_gpa": 200.0, "poisson": 0.3}
THREE = {"P-A": (0.0, -0.6), "P-B": (0.0, 0.0), "P-C": (0.0, 0.6)}


def run(
    plan: Plan, strains: Mapping[str, npt.ArrayLike], seconds: npt.ArrayLike = (60.0,)
) -> Results:
    """A window of these gauges' readings."""
    return run_chain(shown(strains, seconds), initial_state(plan), plan)[0]


def test_delta_rosette_of_a_textbook_comes_out_of_the_chain() -> None:
    """Hibbeler's 60, 135, 264 µm/m, as readings in Ω: ε 272 and 33.8, σ 62.0 and 25.4 MPa."""
    plan = derived_plan(ABC, rosettes=(rosette(layout="delta", **STEEL),), zeros=ZEROED)

    results = run(plan, {"A": 60.0, "B": 135.0, "C": 264.0})

    found = {q: column(results, "ros", q)[0] for q in rosette(**STEEL).quantities}
    assert found["strain_y"] == pytest.approx(246.0, abs=0.5)
    assert found["principal_strain_1"] == pytest.approx(272.0, abs=0.5)
    assert found["principal_strain_2"] == pytest.approx(33.8, abs=0.06)
    assert found["principal_angle"] == pytest.approx(19.3 - 90.0, abs=0.05)
    assert found["principal_stress_1"] == pytest.approx(62.0, abs=0.05)
    assert found["principal_stress_2"] == pytest.approx(25.4, abs=0.05)
    assert found["max_shear_stress"] == pytest.approx((62.0 - 25.4) / 2.0, abs=0.05)


def test_angle_counts_from_the_stated_axis() -> None:
    """Uniaxial strain along gauge b of a rosette whose gauge a lies at 30°: 75°."""
    plan = derived_plan(ABC, rosettes=(rosette(angle_a_deg=30.0),))

    results = run(plan, {"A": 50.0, "B": 100.0, "C": 50.0})

    assert column(results, "ros", "principal_angle")[0] == pytest.approx(75.0)


def test_section_by_hand() -> None:
    """
    120, 12, -84 µm/m at z = -0.6, 0, 0.6: ε_0 16, κ -170 µm/m², axis at 16/170 m; E 200 GPa,
    A 0.02 m², I 3e-3 m⁴: N = 64 kN, M = -102 kN·m.

    What is left over is a share of (1, -2, 1): residuals 2, -4, 2.
    """
    forces = {"modulus_gpa": 200.0, "area_m2": 0.02, "inertia_y_m4": 3e-3}
    plan = derived_plan(ABC, sections=(section(**forces, off_plane_um_m=4.0),), places=THREE)

    results = run(plan, {"A": 120.0, "B": 12.0, "C": -84.0})

    found = {q: column(results, "sec", q)[0] for q in section(**forces).quantities(3)}
    assert found["axial_strain"] == pytest.approx(16.0, abs=1e-6)
    assert found["curvature_y"] == pytest.approx(-170.0, abs=1e-6)
    assert found["neutral_axis_z"] == pytest.approx(16.0 / 170.0, rel=1e-6)
    assert found["axial_force"] == pytest.approx(64.0, rel=1e-6)
    assert found["moment_y"] == pytest.approx(-102.0, rel=1e-6)
    assert found["plane_residual"] == pytest.approx(4.0, rel=1e-6)
    assert found["plane_chi2"] == pytest.approx((12.0**2 / 6.0) / 16.0, rel=1e-6)


def test_section_bent_about_both_axes_by_hand() -> None:
    """ε = 10 - 100·z + 50·y at four corners; I_yz turns some of κ_z into M_y."""
    corners = {"P-A": (0.0, 0.0), "P-B": (1.0, 0.0), "P-C": (0.0, 1.0), "P-D": (1.0, 1.0)}
    forces = {"modulus_gpa": 100.0, "inertia_y_m4": 2e-3, "inertia_z_m4": 1e-3}
    one = section(bending="both", reference_y_m=0.0, inertia_yz_m4=-4e-4, **forces)
    plan = derived_plan((*ABC, gauge("D")), sections=(one,), places=corners)

    results = run(plan, {"A": 10.0, "B": 60.0, "C": -90.0, "D": -40.0})

    found = {q: column(results, "sec", q)[0] for q in one.quantities(4)}
    assert found["axial_strain"] == pytest.approx(10.0, abs=1e-6)
    assert found["curvature_y"] == pytest.approx(-100.0, abs=1e-6)
    assert found["curvature_z"] == pytest.approx(50.0, abs=1e-6)
    assert found["neutral_axis_z"] == pytest.approx(0.1, abs=1e-6)
    assert found["neutral_axis_angle"] == pytest.approx(np.degrees(np.arctan(0.5)), abs=1e-6)
    assert found["moment_y"] == pytest.approx(100e6 * (2e-3 * -100e-6 - 4e-4 * 50e-6))
    assert found["moment_z"] == pytest.approx(100e6 * (1e-3 * 50e-6 - 4e-4 * -100e-6))


def test_section_that_does_not_stay_plane_is_suspect() -> None:
    """Beyond χ² = 10.83 (1 degree of freedom, 0.1 %) the whole row says `neighbour`; below not."""
    plan = derived_plan(ABC, sections=(section(off_plane_um_m=4.0),), places=THREE, zeros=ZEROED)
    at_limit = np.sqrt(10.828 * 16.0 * 6.0) / 2.0  # (2·d)²/6 = 10.828·16

    results = run(plan, {"A": 0.0, "B": [at_limit - 0.1, at_limit + 0.1], "C": 0.0}, (60.0, 120.0))

    for quantity in ("axial_strain", "curvature_y", "plane_chi2"):
        tests = column(results, "sec", quantity, "tests").astype(int)
        assert (tests & TEST_BIT["neighbour"] != 0).tolist() == [False, True]
        assert column(results, "sec", quantity, "flag")[1] == SUSPECT


def test_neutral_axis_is_not_told_without_bending() -> None:
    """Curvature below its U95: no position, flag 2; the axial strain beside it is told."""
    plan = derived_plan(ABC, sections=(section(off_plane_um_m=4.0),), places=THREE, zeros=ZEROED)

    results = run(plan, {"A": [100.0, 200.0], "B": 100.0, "C": [99.0, 0.0]}, (60.0, 120.0))

    assert np.isnan(column(results, "sec", "neutral_axis_z")).tolist() == [True, False]
    assert column(results, "sec", "neutral_axis_z", "flag")[0] == NOT_EVALUATED
    assert np.isfinite(column(results, "sec", "axial_strain")).all()


def test_last_value_up_to_the_stated_age_is_joined_and_no_older_one() -> None:
    """C spoke at 0 s, age 90 s: used at 60 and 90 s; at 120 s the row is null and missing."""
    plan = derived_plan(ABC, rosettes=(rosette(),))
    at = np.array([0.0, 60.0, 90.0, 120.0])
    ohm = np.full(4, 10_000.0)
    stream = readings({"A": (at, ohm), "B": (at, ohm), "C": (at[:1], ohm[:1] + 2.0)})

    results, _ = run_chain(stream, initial_state(plan), plan)

    strain = column(results, "ros", "strain_y")
    assert strain[:3] == pytest.approx([100.0] * 3)
    assert np.isnan(strain[3])
    assert column(results, "ros", "strain_y", "flag")[3] == MISSING


def test_value_from_the_future_is_not_joined() -> None:
    """A at 10 s, B and C at 11 s: the row of 10 s has only A."""
    plan = derived_plan(ABC, rosettes=(rosette(),))
    stream = readings({"A": ([10.0], 10_000.0), "B": ([11.0], 10_000.0), "C": ([11.0], 10_000.0)})

    results, _ = run_chain(stream, initial_state(plan), plan)

    assert np.isnan(column(results, "ros", "strain_x")).tolist() == [True, False]
    assert column(results, "ros", "strain_x", "flag")[0] == MISSING


def test_failed_gauge_makes_the_row_null_and_says_which_test_failed() -> None:
    """An open circuit of B: no value, flag 4, its bit; an older good value takes no place."""
    plan = derived_plan(ABC, rosettes=(rosette(),), zeros=ZEROED)

    results = run(plan, {"A": 10.0, "B": [20.0, np.nan, 20.0], "C": 30.0}, (60.0, 120.0, 180.0))

    assert np.isnan(column(results, "ros", "principal_strain_1")).tolist() == [False, True, False]
    assert np.isnan(column(results, "ros", "principal_strain_1", "u")).tolist() == [
        False,
        True,
        False,
    ]
    assert column(results, "ros", "principal_strain_1", "flag")[1] == FAIL
    failed = int(column(results, "ros", "principal_strain_1", "tests")[1])
    assert failed & TEST_BIT["open_circuit"]


def test_flag_is_the_worst_of_the_points() -> None:
    """Before their zeros 2; beyond the calibrated range of one 3, with the bits of all."""
    plan = derived_plan(ABC, rosettes=(rosette(),))

    results = run(plan, {"A": [10.0, 10.0], "B": [10.0, 4000.0], "C": 10.0}, (60.0, 120.0))

    assert column(results, "ros", "strain_x", "flag").tolist() == [NOT_EVALUATED, SUSPECT]
    both = TEST_BIT["relative_only"] | TEST_BIT["beyond_range"]
    assert int(column(results, "ros", "strain_x", "tests")[1]) & both == both


def test_gauges_rows_are_what_they_are_without_derived_points() -> None:
    """Putting points together changes none of their own rows."""
    strains = {"A": [10.0, np.nan], "B": [20.0, 30.0], "C": [30.0, 10.0]}
    plain = run(derived_plan(ABC), strains, (60.0, 120.0))
    both = run(derived_plan(ABC, rosettes=(rosette(),)), strains, (60.0, 120.0))

    names = np.array(both.table.column("point").to_pylist())
    assert_close(both.take(names != "ros"), plain, 0.0)


@pytest.mark.parametrize("at", [30.0, 60.0])
def test_late_reading_makes_no_row_live_and_is_not_remembered(at: float) -> None:
    """Older than B's newest, or a contradiction of it: neither a row nor a new last value."""
    plan = derived_plan(ABC, rosettes=(rosette(),))
    first = shown({"A": 1.0, "B": 2.0, "C": 3.0}, (0.0, 60.0))
    _, state = run_chain(first, initial_state(plan), plan, live=True)

    results, after = run_chain(readings({"B": ([at], 10_500.0)}), state, plan, live=True)

    assert results.table.column("point").to_pylist() == ["P-B"]
    assert after.combined == state.combined


def test_reading_of_a_node_that_lags_makes_no_row_live_and_its_row_in_the_seal() -> None:
    """
    B at 30 s comes after A at 60 s: live there is no value of A for that time any more, so no
    row; sealed, the row of 30 s stands between the others, with A's value of 0 s.
    """
    plan = derived_plan(ABC, rosettes=(rosette(),))
    of_a = ([0.0, 60.0], [10_001.0, 10_002.0])
    first = readings({"A": of_a, "B": ([0.0], 10_000.0), "C": ([0.0], 10_000.0)})
    lagging = readings({"B": ([30.0], 10_003.0)})
    _, state = run_chain(first, initial_state(plan), plan, live=True)

    results, after = run_chain(lagging, state, plan, live=True)

    assert results.table.column("point").to_pylist() == ["P-B"]
    assert after.combined["P-B"].strain == pytest.approx(150e-6)
    whole, _ = run_chain(concat_readings([first, lagging]), initial_state(plan), plan)
    assert column(whole, "ros", "strain_x") == pytest.approx([50.0, 50.0, 100.0])


@pytest.mark.parametrize(
    ("elements", "place"),
    [
        ({"rosettes": (rosette(point_c="P-X"),)}, 'rosette "ros"'),
        (
            {"rosettes": (rosette(layout="general", angle_b_deg=0.0, angle_c_deg=90.0),)},
            'rosette "ros"',
        ),
        ({"sections": (section(section="end"),)}, 'section "sec"'),
    ],
)
def test_what_no_check_let_through_is_refused(elements: dict[str, object], place: str) -> None:
    """A plan without the points or directions that it needs names the derived point."""
    with pytest.raises(ConfigError) as refused:
        derived_plan(ABC, **elements)  # type: ignore[arg-type]  # one of two keywords

    assert refused.value.mistakes[0].place == place


def test_sheet_is_exact() -> None:
    """The examples rest on it: a gauge alone has no uncertainty at all."""
    results = run(derived_plan(ABC, zeros=ZEROED, sheets=(sheet(),)), {"A": 500.0})

    assert column(results, "P-A", "strain", "u")[0] == pytest.approx(0.0, abs=1e-9)
