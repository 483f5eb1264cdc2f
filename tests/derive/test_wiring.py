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
        ("full_poisson_axial", 1.363997462),
        ("full_poisson_bending", 1.365000737),
        ("full_bending", 2.1),
    ],
)
def test_full_bridges_read_the_strain_beside_their_imbalance(wiring: str, output: float) -> None:
    """Outputs [mV/V] by hand, δ = 2.1e-3, ν = 0.3: 2.73/2.00147, 5.46/(4 - 0.49·δ²), 2.1."""
    poisson: dict[str, Any] = {"poisson": 0.3} if "poisson" in wiring else {}
    results = run([(output + 0.25) * 1e-3], wiring=wiring, unstrained=2.5e-4, **poisson)

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-8)


@pytest.mark.parametrize(("wiring", "second"), [("half_bending", -1.0), ("half_poisson", -0.3)])
@pytest.mark.parametrize("lead", [0.0, 7.0])
def test_half_bridges_read_the_strain_beside_their_imbalance_and_leads(
    wiring: str, second: float, lead: float
) -> None:
    """Arms of 350 Ω of which one is 2 % high at rest, each with a lead: node voltages undone."""
    delta, rest = 2.1e-3, 1.02 * (350.0 + lead)
    one = 1.02 * (350.0 * (1 + delta) + lead)
    other = 350.0 * (1 + second * delta) + lead
    at_rest = rest / (rest + 350.0 + lead) - 0.5
    gauge: dict[str, Any] = {"poisson": 0.3} if "poisson" in wiring else {}

    results = run(
        [one / (one + other) - 0.5],
        wiring=wiring,
        unstrained=at_rest,
        lead_ohm=lead,
        nominal_ohm=350.0,
        **gauge,
    )

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-9)


def test_divider_reads_the_strain_through_leads_leakage_and_meter() -> None:
    """300 kΩ beside 50 MΩ, two leads of 3 Ω, on 200 kΩ, read with an input of 20 MΩ."""

    def shown(gauge: float) -> float:
        arm = float(arm_resistance(gauge, 6.0, 5e7))
        seen = arm * 2e7 / (arm + 2e7)
        return seen / (seen + 200e3)

    results = run(
        [shown(300e3 * (1 + 2.1e-3)), 1.0, 0.0, 1.1],
        wiring="divider",
        unstrained=shown(300e3),
        reference_ohm=200e3,
        lead_ohm=3.0,
        leakage_ohm=5e7,
        meter_ohm=2e7,
    )

    assert floats(results, "indicated")[0] == pytest.approx(1000.0, rel=1e-9)
    assert faults(results)[1:] == [{"open_circuit"}, {"short_circuit"}, {"open_circuit"}]


@pytest.mark.parametrize("wiring", ["resistance_4wire", "quarter_3wire"])
def test_input_resistance_is_taken_off(wiring: str) -> None:
    """100 MΩ on 300 kΩ looks like -150 µm/m at a factor of 20; undone it is nothing."""
    loaded = [r * 1e8 / (r + 1e8) for r in (300e3, 300e3 * (1 + 2.1e-3))]
    if wiring == "quarter_3wire":
        # Node voltages of four arms with the meter across them: Thevenin of each half.
        loaded = []
        for gauge in (300e3, 300e3 * (1 + 2.1e-3)):
            inner = gauge * 300e3 / (gauge + 300e3) + 150e3
            loaded.append((gauge / (gauge + 300e3) - 0.5) / (1 + inner / 1e8))

    results = run(loaded, wiring=wiring, unstrained=loaded[0], meter_ohm=1e8, nominal_ohm=300e3)

    assert floats(results, "indicated") == pytest.approx([0.0, 1000.0], rel=1e-9, abs=1e-7)


OMEGA = 2.0 * np.pi * 1e3


def impedance_run(
    gauges: list[float], imaginary: bool = True, late: float = 0.0, **rails: Any
) -> Results:
    """A gauge beside 100 pF at 1 kHz, Re and Im as two channels; `late` delays the second."""
    z = [1.0 / (1.0 / gauge + 1j * OMEGA * 1e-10) for gauge in gauges]
    gauge = placement(
        "G", wiring="impedance", unstrained=300e3, imaginary_channel="G-im", calibration="full"
    )
    plan = compile_plan(structure((gauge,), (), (SHEET,), beside=("G-im",), **rails))
    t = np.arange(len(z)) * 60.0
    sent = {"G": (t, [one.real for one in z])}
    if imaginary:
        sent["G-im"] = (t + late, [one.imag for one in z])
    results, _ = run_chain(readings(sent), initial_state(plan), plan)
    return results


def test_impedance_is_read_by_its_admittance() -> None:
    """Re(Z) is 3.4 % low, at a factor of 2.1 that is -16 000 µm/m; the strain is right."""
    results = impedance_run([300e3, 300e3 * (1 + 2.1e-3), 4e6, 10.0])

    assert floats(results, "indicated")[:2] == pytest.approx([0.0, 1000.0], rel=1e-9, abs=1e-6)
    assert faults(results)[2:] == [{"open_circuit"}, {"short_circuit"}]


@pytest.mark.parametrize(("imaginary", "late"), [(False, 0.0), (True, 0.001), (True, -0.001)])
def test_impedance_without_the_other_part_of_its_instant_has_no_value(
    imaginary: bool, late: float
) -> None:
    """A millisecond beside is another instant: no number is made of half an impedance."""
    results = impedance_run([300e3, 301e3], imaginary, late)

    assert faults(results) == [{"not_a_number"}] * 2
    assert np.isnan(floats(results, "value")).all()


def test_impedance_at_a_rail_of_either_part_fails() -> None:
    """The imaginary part's converter counts as much as the real one's."""
    real = impedance_run([300e3], rail_high=289e3)
    imaginary = impedance_run([300e3], rail_low=-54e3)

    assert faults(real) == [{"converter_rail"}]
    assert faults(imaginary) == [{"converter_rail"}]
