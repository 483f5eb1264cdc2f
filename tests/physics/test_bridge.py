"""
Bridge forms against the reference table, node voltages and textbook lead-wire figures.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.physics.bridge import (
    arm_ratio,
    arm_resistance,
    copper_lead_delta,
    full_bending_delta,
    full_poisson_axial_delta,
    full_poisson_bending_delta,
    gauge_resistance,
    half_bending_delta,
    half_bridge_output,
    half_poisson_delta,
    quarter_bridge_delta,
    resistance_delta,
    shunt_delta,
)

REFERENCE = Path(__file__).parents[3] / "shared" / "reference" / "strain"

# Quarter bridge, node voltages: gauge factor, strain [µm/m], output [mV/V]. Reference table
# bridge_quarter.csv of the project's check values (textbook: Dally and Riley).
# The table's outputs are differences of node voltages, so that each is good to 1e-16 V/V only:
# 2e-10 µm/m at a factor of 2.
TABLE_NOISE = 3e-10
QUARTER = (
    (2.0, -10000, -5.05050505051),
    (2.0, 1, 0.000499999499914),
    (2.0, 1000, 0.499500499501),
    (2.0, 50000, 23.8095238095),
    (2.1, -5000, -2.63885398341),
    (2.1, 500, 0.262362259814),
    (2.1, 10000, 5.19544779812),
)


def node_voltages(arms: tuple[float, float, float, float]) -> float:
    """Output ratio of a bridge of four resistances; arm 1 in tension is positive."""
    r1, r2, r3, r4 = arms
    return r1 / (r1 + r2) - r4 / (r3 + r4)


@pytest.mark.parametrize(("factor", "strain", "output"), QUARTER)
def test_quarter_bridge_meets_the_table_to_its_digits(
    factor: float, strain: float, output: float
) -> None:
    """The exact form gives the strain back from the printed output."""
    found = quarter_bridge_delta(output * 1e-3) / factor * 1e6

    assert found == pytest.approx(strain, rel=2e-11, abs=TABLE_NOISE)


def test_quarter_bridge_meets_the_whole_reference_table() -> None:
    """Every row of bridge_quarter.csv, where it is at hand."""
    table = REFERENCE / "bridge_quarter.csv"
    if not table.exists():
        pytest.skip("../shared/reference is not beside this checkout")
    lines = [line for line in table.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))

    assert len(rows) == 26
    for row in rows:
        output = float(row["ratio_exact_mV_per_V"]) * 1e-3
        strain = quarter_bridge_delta(output) / float(row["gauge_factor"]) * 1e6
        expected = float(row["strain_microstrain"])
        assert strain == pytest.approx(expected, rel=2e-11, abs=TABLE_NOISE)


def test_quarter_bridge_includes_the_imbalance() -> None:
    """Unstrained at 3 mV/V, R/R0 = 1.02 by hand: x0 = 0.503/0.497, x = 1.02·x0."""
    x = 1.02 * 0.503 / 0.497
    output = 0.5 * (x - 1.0) / (x + 1.0)

    assert quarter_bridge_delta(output, 3e-3) == pytest.approx(0.02, rel=1e-13)


@pytest.mark.parametrize("output", [0.5, -0.5, 0.7, -3.0, np.nan, np.inf])
def test_arm_ratio_is_nan_where_no_resistance_gives_the_output(output: float) -> None:
    """|e| >= ½ has no solution."""
    assert np.isnan(arm_ratio(output))


# Half and full bridges, gauge factor 2, ν 0.3: strain [µm/m], output [mV/V]; reference table
# bridge_half_full_small.csv.
@pytest.mark.parametrize(
    ("name", "strain", "output"),
    [
        ("half_bending", 1000, 1.0),
        ("half_bending", -2000, -2.0),
        ("half_poisson", 1000, 0.649545318277),
        ("half_poisson", -2000, -1.30182255157),
        ("full_bending", 1000, 2.0),
        ("full_bending", -2000, -4.0),
        ("full_poisson_axial", 1000, 1.29909063655),
        ("full_poisson_axial", -2000, -2.60364510314),
    ],
)
def test_several_arms_meet_the_table(name: str, strain: float, output: float) -> None:
    """The inverses give the strain back from the printed output."""
    r = np.array(output * 1e-3)
    found = {
        "half_bending": half_bending_delta(r),
        "half_poisson": half_poisson_delta(r, 0.3),
        "full_bending": full_bending_delta(r),
        "full_poisson_axial": full_poisson_axial_delta(r, 0.3),
    }[name]

    assert found / 2.0 * 1e6 == pytest.approx(strain, rel=1e-11)


@settings(deadline=None)  # a busy machine is no failure
@given(delta=st.floats(-0.4, 0.4), poisson=st.floats(0.05, 0.45))
def test_several_arms_undo_node_voltages(delta: float, poisson: float) -> None:
    """Each form inverts the voltages of four real resistances, far beyond any strain."""
    d, p = delta, poisson
    half = node_voltages((1 + d, 1 - p * d, 1, 1))
    axial = node_voltages((1 + d, 1 - p * d, 1 + d, 1 - p * d))
    bending = node_voltages((1 + d, 1 - d, 1 + d, 1 - d))

    assert half_poisson_delta(half, p) == pytest.approx(d, rel=1e-9, abs=1e-14)
    assert full_poisson_axial_delta(axial, p) == pytest.approx(d, rel=1e-9, abs=1e-14)
    assert full_bending_delta(bending) == pytest.approx(d, rel=1e-9, abs=1e-14)
    assert half_bending_delta(node_voltages((1 + d, 1 - d, 1, 1))) == pytest.approx(
        d, rel=1e-9, abs=1e-14
    )


@settings(deadline=None)  # a busy machine is no failure
@given(delta=st.floats(-0.4, 0.4), poisson=st.floats(0.05, 0.45))
def test_poisson_pairs_on_both_faces_undo_node_voltages(delta: float, poisson: float) -> None:
    """Arms δ, -νδ, +νδ, -δ, far beyond any strain."""
    d, p = delta, poisson
    output = node_voltages((1 + d, 1 - p * d, 1 + p * d, 1 - d))

    assert full_poisson_bending_delta(output, p) == pytest.approx(d, rel=1e-9, abs=1e-14)


def test_poisson_pairs_on_both_faces_begin_as_the_textbook_form() -> None:
    """r = δ(1+ν)/2 for small δ; at 0.02 it is δ²(1-ν)²/4 = 4.9e-5 away, by hand."""
    small, large = 1e-7 * 1.3 / 2, 0.02 * 1.3 / 2

    assert full_poisson_bending_delta(small, 0.3) == pytest.approx(1e-7, rel=1e-12)
    assert full_poisson_bending_delta(large, 0.3) / 0.02 - 1.0 == pytest.approx(-4.9e-5, rel=1e-3)


@settings(deadline=None)  # a busy machine is no failure
@given(first=st.floats(-0.3, 0.3), second=st.floats(-0.3, 0.3), imbalance=st.floats(0.9, 1.1))
def test_half_bridge_out_of_balance_is_brought_back_exactly(
    first: float, second: float, imbalance: float
) -> None:
    """Arms that differ at rest show, balanced, what equal arms would for the same changes."""
    at_rest = node_voltages((imbalance, 1.0, 1.0, 1.0))
    loaded = node_voltages((imbalance * (1 + first), 1 + second, 1.0, 1.0))
    equal = node_voltages((1 + first, 1 + second, 1.0, 1.0))

    assert half_bridge_output(loaded, at_rest) == pytest.approx(equal, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("r", [1.0, -1.0, 5.0, np.nan])
def test_several_arms_are_nan_where_no_arm_gives_the_output(r: float) -> None:
    """An arm cannot have a resistance of nothing or less."""
    assert np.isnan(full_bending_delta(r))
    assert np.isnan(half_bending_delta(r))
    assert np.isnan(full_poisson_bending_delta(2.0 * r, 0.3))
    assert np.isnan(half_poisson_delta(np.array(-3.0) if r == 5.0 else r, 0.3))


@pytest.mark.parametrize(
    ("gauge", "lead", "factor", "strain", "ignored"),
    [(120.0, 1.0, 2.0, 0.001, 0.0009917355372), (350.0, 3.5, 2.1, 0.0005, 0.000495049505)],
)
def test_leads_of_a_three_wire_bridge_are_undone(
    gauge: float, lead: float, factor: float, strain: float, ignored: float
) -> None:
    """lead_wire_and_shunt.json: what is indicated if leads are ignored, and the truth."""
    arm = arm_resistance(gauge * (1.0 + factor * strain), lead, None)
    seen = resistance_delta(arm, gauge + lead)
    undone = resistance_delta(gauge_resistance(arm, lead, None), gauge)

    assert seen / factor == pytest.approx(ignored, rel=1e-9)
    assert undone / factor == pytest.approx(strain, rel=1e-11)


def test_leakage_of_100_megohm_looks_like_150_micrometre_a_metre() -> None:
    """The trade's figure: beside 300 kΩ at a factor of 20; undone it is nothing."""
    seen = arm_resistance(300e3, 0.0, 100e6)

    assert resistance_delta(seen, 300e3) / 20.0 * 1e6 == pytest.approx(-150.0, rel=5e-3)
    assert gauge_resistance(seen, 0.0, 100e6) == pytest.approx(300e3, rel=1e-12)


@settings(deadline=None)  # a busy machine is no failure
@given(gauge=st.floats(50.0, 1e6), lead=st.floats(0.0, 20.0), leak=st.floats(2e6, 1e10))
def test_gauge_resistance_undoes_arm_resistance(gauge: float, lead: float, leak: float) -> None:
    """Leads and leakage come off exactly."""
    arm = arm_resistance(gauge, lead, leak)

    assert gauge_resistance(arm, lead, leak) == pytest.approx(gauge, rel=1e-9)


@pytest.mark.parametrize("arm", [1.0, 2.0, 1e6 + 2.0, 2e6, np.nan])
def test_gauge_resistance_is_nan_when_only_leads_or_leakage_are_left(arm: float) -> None:
    """Nothing above zero behind the leads, or more than the leakage lets through."""
    assert np.isnan(gauge_resistance(arm, 2.0, 1e6))


@pytest.mark.parametrize(("gauge", "shunt"), [(120.0, 59880.0), (350.0, 174650.0)])
def test_shunt_simulates_the_textbook_strain(gauge: float, shunt: float) -> None:
    """lead_wire_and_shunt.json: -1000 µm/m at factor 2, output -0.5005005005 mV/V."""
    delta = shunt_delta(gauge, shunt)

    assert delta == pytest.approx(-0.002, rel=1e-12)
    assert quarter_bridge_delta(-0.5005005005e-3) == pytest.approx(delta, rel=1e-9)


def test_warm_copper_leads_add_what_the_formula_says() -> None:
    """By hand: 2·1.5 Ω·0.00393/K·20 K/350 Ω = 6.737e-4."""
    assert copper_lead_delta(1.5, 350.0, 20.0) == pytest.approx(6.7371428571e-4, rel=1e-9)


def test_strain_file_of_leads_is_the_one_quoted() -> None:
    """The quoted figures stand in lead_wire_and_shunt.json, where it is at hand."""
    table = REFERENCE / "lead_wire_and_shunt.json"
    if not table.exists():
        pytest.skip("../shared/reference is not beside this checkout")
    cases = json.loads(table.read_text())["lead_wire"]

    assert [case["indicated_strain_if_ignored"] for case in cases] == [
        0.0009917355372,
        0.000495049505,
    ]
