"""
Shunt checks: measured over expected change of the arm, for every wiring, by node voltages.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from tests.derive.examples import LINE, calibration, placement, structure
from tests.derive.streams import floats, readings

SHEET = calibration("full", LINE)
SHUNT: dict[str, Any] = {"shunt_channel": "G-shunt", "shunt_point": "P-G-shunt"}
POINT = {"P-G-shunt": {"quantity": "shunt", "unit": "1", "gross_low": 0.99, "gross_high": 1.01}}


def checks(
    ordinary: list[float], shunted: list[float], shunt: float = 59_880.0, **gauge: Any
) -> Results:
    """Rows of the check, each a second after an ordinary reading."""
    one = placement("G", shunt_ohm=shunt, **SHUNT, **gauge)
    plan = compile_plan(structure((one,), (), (SHEET,), points=POINT, beside=("G-shunt",)))
    t = np.arange(len(ordinary)) * 60.0
    sent = {"G": (t, ordinary), "G-shunt": (t[: len(shunted)] + 1.0, shunted)}
    results, _ = run_chain(readings(sent), initial_state(plan), plan)
    return results.take(np.array(results.table.column("point").to_pylist()) == "P-G-shunt")


def beside(resistance: float, shunt: float) -> float:
    """Two resistors in parallel."""
    return resistance * shunt / (resistance + shunt)


def test_textbook_shunt_of_120_ohm_is_1() -> None:
    """59 880 Ω across 120 Ω, -0.5005005005 mV/V (lead_wire_and_shunt.json): measured = expected."""
    results = checks(
        [0.0], [-0.5005005005e-3], wiring="quarter_3wire", unstrained=0.0, nominal_ohm=120.0
    )

    assert floats(results, "value")[0] == pytest.approx(1.0, rel=1e-9)
    assert results.table.column("quantity").to_pylist() == ["shunt"]
    # √2 times 1e-6 of a reading, over 0.002, as U95/2.
    assert floats(results, "u")[0] == pytest.approx(np.sqrt(2.0) * 1e-6 / 0.002, rel=1e-6)


def bridge_output(arms: list[float]) -> float:
    """Node voltages; arm 1 and 4 to ground."""
    r1, r2, r3, r4 = arms
    return r1 / (r1 + r2) - r4 / (r3 + r4)


@pytest.mark.parametrize(
    ("wiring", "signs", "lead", "expected", "tolerance"),
    [
        ("quarter_3wire", (1, 0, 0, 0), 2.0, 1.000998, 1e-6),
        ("half_bending", (1, -1, 0, 0), 2.0, 1.000998, 1e-6),
        ("full_bending", (1, -1, 1, -1), 0.0, 1.0, 2e-5),
    ],
)
def test_strained_bridge_shows_what_the_arm_then_has(
    wiring: str, signs: tuple[float, ...], lead: float, expected: float, tolerance: float
) -> None:
    """
    At 2000 µm/m and with leads. A gauge 0.1 % above its nominal resistance shows as
    1 + 0.001·R_s/(R + R_s), by hand; in a full bridge δ² = 1.8e-5 is left out.
    """
    arms = [350.0 * (1.0 + sign * 4.2e-3) + lead for sign in signs]
    rest = [350.0 + lead] * 4
    if wiring != "full_bending":
        arms[0], rest[0] = arms[0] * 1.001, rest[0] * 1.001
    shunted = [beside(arms[0], 174_650.0), *arms[1:]]

    results = checks(
        [bridge_output(arms)],
        [bridge_output(shunted)],
        174_650.0,
        wiring=wiring,
        unstrained=bridge_output(rest),
        nominal_ohm=350.0,
        lead_ohm=lead,
    )

    assert floats(results, "value")[0] == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("wiring", ["resistance_4wire", "divider"])
def test_resistances_are_checked_by_themselves(wiring: str) -> None:
    """30 MΩ across 300 kΩ that feels 1000 µm/m, in Ohm and as a share of 200 kΩ."""
    strained, shunted = 300e3 * (1 + 2.1e-3), beside(300e3 * (1 + 2.1e-3), 30e6)
    readings_of = [strained, shunted]
    gauge: dict[str, Any] = {"wiring": wiring, "unstrained": 300e3}
    if wiring == "divider":
        readings_of = [r / (r + 200e3) for r in readings_of]
        gauge |= {"unstrained": 0.6, "reference_ohm": 200e3}

    results = checks(readings_of[:1], readings_of[1:], 30e6, **gauge)

    assert floats(results, "value")[0] == pytest.approx(1.0, rel=1e-9)


def test_chain_that_lost_sensitivity_is_suspect_beyond_the_tolerance() -> None:
    """1 MΩ of leakage that came in parallel with the shunt's arm, and an amplifier 2 % low."""
    whole, low = -0.5005005005e-3, -0.5005005005e-3 * 0.98
    results = checks(
        [0.0, 0.0], [whole, low], wiring="quarter_3wire", unstrained=0.0, nominal_ohm=120.0
    )
    tests = results.column("tests").astype(np.int64)

    assert floats(results, "value")[1] == pytest.approx(0.98, rel=1e-3)
    assert (tests & TEST_BIT["gross_range"] != 0).tolist() == [False, True]
    assert np.array(results.column("flag")).tolist() == [2, 3]


def test_check_without_an_ordinary_reading_before_it_could_not_be_made() -> None:
    """None young enough, or an open gauge: no value, not evaluated; it is not a failed gauge."""
    late = checks(
        [0.0], [-5e-4], wiring="quarter_3wire", unstrained=0.0, nominal_ohm=120.0, climate_age_s=0.5
    )
    opened = checks([0.5], [-5e-4], wiring="quarter_3wire", unstrained=0.0, nominal_ohm=120.0)

    for results in (late, opened):
        assert np.isnan(floats(results, "value")[0])
        assert int(results.column("tests")[0]) & TEST_BIT["shunt"]
        assert int(results.column("flag")[0]) == 2


def test_check_that_has_no_solution_fails() -> None:
    """With the shunt the reading is one that no arm can give."""
    results = checks([0.0], [0.7], wiring="quarter_3wire", unstrained=0.0, nominal_ohm=120.0)

    assert int(results.column("tests")[0]) & TEST_BIT["not_a_number"]
    assert int(results.column("flag")[0]) == 4


def test_rows_of_the_gauge_are_what_they_are_without_a_check() -> None:
    """The shunt's channel and point touch nothing of the gauge's own."""
    gauge: dict[str, Any] = {"wiring": "quarter_3wire", "unstrained": 0.0, "nominal_ohm": 120.0}
    t = np.arange(5) * 60.0
    plain = compile_plan(structure((placement("G", **gauge),), (), (SHEET,)))
    alone, _ = run_chain(readings({"G": (t, t * 1e-6)}), initial_state(plain), plain)
    one = placement("G", shunt_ohm=1e5, **SHUNT, **gauge)
    plan = compile_plan(structure((one,), (), (SHEET,), points=POINT, beside=("G-shunt",)))
    sent = {"G": (t, t * 1e-6), "G-shunt": (t + 1.0, t * 0.0)}
    both, _ = run_chain(readings(sent), initial_state(plan), plan)

    own = both.take(np.array(both.table.column("point").to_pylist()) == "P-G")
    assert own.table.drop_columns(["point", "quantity"]).equals(
        alone.table.drop_columns(["point", "quantity"])
    )
