"""
Electrical faults and the signal path, gauge by gauge.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.physics.bridge import arm_resistance
from tests.derive.examples import LINE, calibration, placement, structure
from tests.derive.streams import floats, readings

SHEET = calibration("full", LINE)
FAILING = ("not_a_number", "open_circuit", "short_circuit", "converter_rail")


def run(values: list[float], rails: tuple[float, float] | None = None, **gauge: Any) -> Results:
    """Readings of one gauge of factor 2.1 without any environment."""
    ends: dict[str, Any] = {} if rails is None else {"rail_low": rails[0], "rail_high": rails[1]}
    plan = compile_plan(structure((placement("G", **gauge),), (), (SHEET,), **ends))
    stream = readings({"G": (np.arange(len(values)) * 60.0, values)})
    return run_chain(stream, initial_state(plan), plan)[0]


def faults(results: Results) -> list[set[str]]:
    """Electrical tests that each row failed."""
    return [
        {name for name in FAILING if bits & TEST_BIT[name]}
        for bits in results.column("tests").astype(np.int64)
    ]


QUARTER: dict[str, Any] = {
    "wiring": "quarter_2wire",
    "unstrained": 1e-3,
    "lead_ohm": 2.0,
    "nominal_ohm": 350.0,
}


@pytest.mark.parametrize(
    ("gauge", "values", "expected"),
    [
        ({}, [10_000.0, 5e5, 100.0, 0.0, -3.0], ["", "open", "short", "short", "short"]),
        ({"leakage_ohm": 1e6}, [9_900.0, 9.5e5, 1e6, 2e6], ["", "open", "open", "open"]),
        (
            QUARTER,
            [1e-3, 0.4, -0.4, 0.5, -0.5, 0.7],
            ["", "open", "short", "open", "short", "open"],
        ),
        (
            {"wiring": "half_bending", "unstrained": 0.0},
            [1e-3, 0.49, -0.5],
            ["", "open", "short"],
        ),
    ],
)
def test_open_and_short_fail_and_a_strained_gauge_does_not(
    gauge: dict[str, Any], values: list[float], expected: list[str]
) -> None:
    """Far from any strain the reading fails, is a row, and has no value."""
    results = run(values, **gauge)

    assert faults(results) == [{f"{name}_circuit"} if name else set() for name in expected]
    assert np.isnan(floats(results, "value")).tolist() == [bool(name) for name in expected]
    assert [int(f) == 4 for f in results.column("flag")] == [bool(name) for name in expected]
    for name in ("u", "indicated", "mechanical"):
        assert np.isnan(floats(results, name)).tolist() == [bool(n) for n in expected]


def test_converter_at_either_end_fails() -> None:
    """At the rail and beyond, not a bit inside it."""
    results = run([0.004, 0.005, -0.005, 0.0049999], (-0.005, 0.005), **QUARTER)

    assert faults(results) == [set(), {"converter_rail"}, {"converter_rail"}, set()]


@pytest.mark.parametrize("gauge", [{}, QUARTER, {"wiring": "full_bending", "unstrained": 0.0}])
def test_what_is_no_number_fails_as_that_and_touches_no_neighbour(gauge: dict[str, Any]) -> None:
    """The gate refuses NaN; should one come through, it is a failed row among whole ones."""
    whole = 10_000.0 if not gauge else 1e-3

    results = run([whole, float("nan"), whole], **gauge)

    assert faults(results) == [set(), {"not_a_number"}, set()]
    assert np.isnan(floats(results, "value")).tolist() == [False, True, False]


@pytest.mark.parametrize("leads", [1.0, 2.0])
def test_two_wire_and_three_wire_leads_differ_in_what_is_in_the_arm(leads: float) -> None:
    """2·R_L and R_L: 1000 µm/m comes back from the arm that each has."""
    wiring = "quarter_2wire" if leads == 2.0 else "quarter_3wire"
    series = leads * 5.0
    arm = (120.0 * (1 + 2.1e-3) + series) / (120.0 + series)
    x = arm * (0.5 + 1e-3) / (0.5 - 1e-3)
    gauge = {**QUARTER, "wiring": wiring, "lead_ohm": 5.0, "nominal_ohm": 120.0}

    results = run([0.5 * (x - 1) / (x + 1)], **gauge)

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-10)


def test_two_wire_resistance_loses_its_leads_and_its_leakage() -> None:
    """The unstrained value was read through the same leads and the same leakage."""
    rest, loaded = (float(arm_resistance(r, 6.0, 1e7)) for r in (300e3, 300e3 * (1 + 2.1e-3)))

    results = run(
        [loaded], wiring="resistance_2wire", unstrained=rest, lead_ohm=3.0, leakage_ohm=1e7
    )

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-9)


@pytest.mark.parametrize(
    ("wiring", "output"),
    [
        ("half_poisson", 0.681998731),
        ("full_poisson_axial", 1.363997462),
        ("full_poisson_bending", 1.365),
        ("half_bending", 1.05),
        ("full_bending", 2.1),
    ],
)
def test_several_arms_read_the_strain_beside_their_imbalance(wiring: str, output: float) -> None:
    """Outputs [mV/V] by hand for δ = 2.1e-3, ν = 0.3: 2.73/4.00294, 2.73/2.00147, 2.73/2, …"""
    poisson: dict[str, Any] = {"poisson": 0.3} if "poisson" in wiring else {}
    results = run([(output + 0.25) * 1e-3], wiring=wiring, unstrained=2.5e-4, **poisson)

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-8)
