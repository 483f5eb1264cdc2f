"""
Warm-up after a gap: gauges whose excitation just came back are not judged yet.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Floats, Readings, Results, concat_results
from pipeline.derive.chain import ChainState, compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Plan
from tests.derive.examples import LINE, TILT, calibration, placement, structure, zero
from tests.derive.streams import readings

SHEET = calibration("full", LINE)
# Readings a minute apart with a gap of 10 minutes after the fifth; 2.5 minutes make a gap.
TIMES = np.array([0.0, 60.0, 120.0, 180.0, 240.0, 840.0, 900.0, 960.0, 1020.0])
WARMING = [True, True, True, False, False, True, True, True, False]


def plan(wiring: str = "resistance_4wire", warm_up_s: float = 150.0) -> Plan:
    """One gauge that warms for 2.5 minutes."""
    if wiring == "linear":
        tilt = placement(
            "G", wiring="linear", calibration="tilt", unstrained=0.0, warm_up_s=warm_up_s
        )
        point = {"P-G": {"quantity": "tilt", "unit": "mm/m"}}
        return compile_plan(structure((tilt,), (), (TILT,), points=point))
    gauge = placement("G", warm_up_s=warm_up_s)
    return compile_plan(structure((gauge,), (zero("G", 0.0),), (SHEET,)))


def stream(times: Floats) -> Readings:
    """A resistance that hardly moves."""
    return readings({"G": (times, 9_999.0 + 1e-3 * times)})


def warming(results: Results) -> list[bool]:
    """Which rows are flagged as warming up."""
    tests = results.column("tests").astype(np.int64)
    return [bool(bits & TEST_BIT["warm_up"]) for bits in tests]


@pytest.mark.parametrize("wiring", ["resistance_4wire", "linear"])
def test_rows_after_the_start_and_after_a_gap_are_warming(wiring: str) -> None:
    """From the first reading after a gap on, for less than the stated time; it is not evaluated."""
    one = plan(wiring)
    results, _ = run_chain(stream(TIMES), initial_state(one), one)

    assert warming(results) == WARMING
    flags = np.array(results.column("flag"))
    assert set(flags[:5][np.array(WARMING)[:5]]) == {2}
    assert flags[4] == 1


@pytest.mark.parametrize("cut", [1, 3, 5, 6, 8])
def test_cut_anywhere_the_same_rows_are_warming(cut: int) -> None:
    """The state through JSON knows when the excitation came back."""
    one, state = plan(), initial_state(plan())
    parts = []
    for times in (TIMES[:cut], TIMES[cut:]):
        results, state = run_chain(
            stream(times), ChainState.from_json(state.to_json()), one, live=True
        )
        parts.append(results)

    assert warming(concat_results(parts)) == WARMING


def test_gauges_without_a_warm_up_are_left_alone() -> None:
    """The default is none."""
    one = plan(warm_up_s=0.0)
    results, state = run_chain(stream(TIMES), initial_state(one), one)

    assert warming(results) == [False] * len(TIMES)
    assert state.gauges["G|G|P-G"].awake_since is None
