"""
The chain as a whole: seams, late rows, replaced gauges, and what it refuses.
"""

from __future__ import annotations

from datetime import timedelta
from types import MappingProxyType

import numpy as np
import pytest

from pipeline.blocks import RESULTS_SCHEMA, TEST_BIT, Readings, Results
from pipeline.derive import chain
from pipeline.derive.block import Block, Context
from pipeline.derive.chain import STAGES, ChainState, compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.derive.state import GaugeState
from pipeline.errors import ChainError, StateVersionError
from tests.derive.examples import (
    FULL,
    LINE,
    START,
    START_US,
    calibration,
    film,
    placement,
    structure,
    zero,
)
from tests.derive.streams import floats, readings, slow

PLAIN = calibration("full", LINE)
SWAP = START + timedelta(hours=1)
TIMES = np.arange(0.0, 7200.0, 60.0)


def at_rest(strain: float) -> float:
    """Resistance of a 10 kΩ gauge of factor 2.1 at a strain [µm/m]."""
    return 10_000.0 * (1.0 + 2.1e-6 * strain)


def seal(stream: Readings, plan: Plan) -> Results:
    """Results of a complete window from the start."""
    return run_chain(stream, initial_state(plan), plan)[0]


def has(results: Results, test: str) -> list[bool]:
    """Which rows carry the bit."""
    return [bool(bits & TEST_BIT[test]) for bits in results.column("tests").astype(np.int64)]


def test_zero_within_a_window_changes_nothing_before_it() -> None:
    """Rows before the zero are the same bits; from its time on the offset is off."""
    stream = readings({"G": (TIMES, [at_rest(100.0 + t / 100) for t in TIMES])})
    without = seal(stream, compile_plan(structure((placement("G"),), (), (PLAIN,))))
    zeroed = structure((placement("G"),), (zero("G", 1.0, offset_delta=2.1e-4),), (PLAIN,))

    results = seal(stream, compile_plan(zeroed))

    before = TIMES < 3600.0
    assert results.take(before).table.equals(without.take(before).table)
    later = floats(results, "value")[~before]
    np.testing.assert_allclose(later, floats(without, "value")[~before] - 100.0, rtol=1e-9)
    np.testing.assert_allclose(floats(results, "zero")[~before], 100.0, rtol=1e-9)
    assert has(results, "relative_only") == before.tolist()


def test_zero_is_no_rate_of_change() -> None:
    """The step that a zero makes is the seam's, not the structure's: not evaluated there."""
    stream = readings({"G": (TIMES, np.full(len(TIMES), at_rest(500.0)))})
    zeroed = structure(
        (placement("G"),),
        (zero("G", 1.0, offset_delta=1e-3),),
        (PLAIN,),
        points={"P-G": {"rate_per_s": 0.1}},
    )

    results = seal(stream, compile_plan(zeroed))

    flags = [int(flag) for flag in results.column("flag")]
    assert not any(has(results, "rate_of_change"))
    assert flags[60:62] == [2, 1]


def test_replaced_gauge_continues_the_point_with_memories_of_its_own() -> None:
    """One series at the point; the new gauge starts unloaded, and the old one is forgotten."""
    old = placement("OLD", point="P", channel="c", valid_to=SWAP)
    new = placement("NEW", point="P", channel="c", valid_from=SWAP, unstrained=9_000.0)
    creeping = FULL.model_copy(update={"temperature": None, "moisture": None, "ageing": None})
    plan = compile_plan(structure((old, new), (), (creeping,)))
    stream = readings({"c": (TIMES, np.where(TIMES < 3600.0, 10_100.0, 9_090.0))})

    results, state = run_chain(stream, initial_state(plan), plan)

    assert len(results) == len(TIMES)
    assert set(results.table.column("point").to_pylist()) == {"P"}
    creep = floats(results, "creep")
    assert creep[59] > 1.0
    np.testing.assert_allclose(creep[60:], creep[:60], rtol=1e-12, atol=1e-9)
    assert list(state.gauges) == ["NEW|c|P"]


def test_new_calibration_within_a_window_keeps_the_memory_of_the_load() -> None:
    """The same time constants: creep goes on through the seam without a step of its own."""
    creeping = FULL.model_copy(update={"temperature": None, "moisture": None, "ageing": None})
    newer = creeping.model_copy(update={"valid_from": SWAP, "author": "I. Other"})
    stream = readings({"G": (TIMES, np.full(len(TIMES), 10_100.0))})
    one = seal(stream, compile_plan(structure((placement("G"),), (), (creeping,))))

    two = seal(stream, compile_plan(structure((placement("G"),), (), (creeping, newer))))

    np.testing.assert_allclose(floats(two, "creep"), floats(one, "creep"), rtol=1e-12)


def test_readings_outside_every_placement_give_no_rows() -> None:
    """Before, between and after placements, of climate channels, and of channels unknown."""
    one = placement("G", valid_from=START + timedelta(hours=1), valid_to=START + timedelta(hours=2))
    plan = compile_plan(structure((one,), (), (PLAIN,)))
    stream = readings(
        {
            "G": ([0.0, 3599.9, 3600.0, 7199.9, 7200.0], 10_000.0),
            "ts": ([0.0], 20.0),
            "unknown": ([3600.0], 1.0),
        }
    )

    results = seal(stream, plan)

    seconds = (results.column("time").astype(np.int64) - START_US) / 1e6
    assert seconds.tolist() == [3600.0, 7199.9]
    assert len(seal(readings({"unknown": ([1.0], 1.0)}), plan)) == 0


def test_results_have_the_schema_and_null_where_a_term_does_not_apply() -> None:
    """Absent is null, never NaN; rows by point, then time."""
    plan = compile_plan(structure((placement("B"), placement("A")), (), (PLAIN,)))
    stream = readings({"B": (TIMES, 10_000.0), "A": (TIMES + 1.0, 10_000.0)})

    results = seal(stream, plan)

    assert results.table.schema.equals(RESULTS_SCHEMA, check_metadata=True)
    assert results.table.column("point").to_pylist() == ["P-A"] * 120 + ["P-B"] * 120
    for name in ("thermal_output", "sensitivity", "moisture", "companion", "creep", "zero"):
        assert results.table.column(name).null_count == len(results)
    assert results.table.column("value").null_count == 0
    assert not np.isnan(results.table.column("value").to_numpy()).any()


def live_setup() -> tuple[Plan, ChainState]:
    """A creeping gauge that has been read for two hours."""
    plan = compile_plan(
        structure((film(leakage_ohm=None),), (), (FULL,), points={"P-C1": {"rate_per_s": 1e-9}})
    )
    climate = {
        "ts": (TIMES + 1.0, slow(TIMES, 15.0, 5.0, 2.0)),
        "ta": (TIMES + 2.0, slow(TIMES, 15.0, 5.0, 2.0)),
        "rh": (TIMES + 3.0, slow(TIMES, 50.0, 9.0, 2.0)),
    }
    stream = readings({"C1": (TIMES, 10_000.0 + TIMES / 100.0), **climate})
    return plan, run_chain(stream, initial_state(plan), plan, live=True)[1]


def test_late_row_is_computed_flagged_and_moves_no_memory() -> None:
    """A row in the past: bit late, order tests not evaluated, the state as it was."""
    plan, state = live_setup()
    block = readings({"C1": ([4000.5], 10_040.0)})

    results, after = run_chain(block, state, plan, live=True)

    assert has(results, "late") == [True]
    assert not any(has(results, "rate_of_change"))
    assert int(results.column("flag")[0]) == 2
    assert np.isfinite(floats(results, "value")[0])
    assert floats(results, "temperature")[0] == pytest.approx(slow([3960.0], 15.0, 5.0, 2.0)[0])
    assert after.to_json() == state.to_json()


def test_repeat_of_the_last_reading_is_dropped_and_another_value_is_a_contradiction() -> None:
    """At the newest time already seen: the same value is no row, a different one is flagged."""
    plan, state = live_setup()
    last = TIMES[-1]

    repeated, same = run_chain(
        readings({"C1": ([last], 10_000.0 + last / 100.0)}), state, plan, live=True
    )
    other, after = run_chain(readings({"C1": ([last], 10_500.0)}), state, plan, live=True)

    assert len(repeated) == 0
    assert same.to_json() == state.to_json()
    assert has(other, "contradiction") == [True]
    assert has(other, "late") == [False]
    assert int(other.column("flag")[0]) == 3
    assert after.to_json() == state.to_json()


def test_block_of_late_and_new_rows_is_in_order_and_the_new_ones_are_not_disturbed() -> None:
    """The late row leads its point; what follows is what it would be without it."""
    plan, state = live_setup()
    new = {"C1": ([7200.0, 7260.0], 10_072.0)}
    mixed = {"C1": ([7200.0, 100.5, 7260.0], 10_072.0)}

    alone, after_alone = run_chain(readings(new), state, plan, live=True)
    both, after = run_chain(readings(mixed), state, plan, live=True)

    assert has(both, "late") == [True, False, False]
    assert both.take(np.array([1, 2])).table.equals(alone.table)
    assert after.to_json() == after_alone.to_json()


def test_contradiction_is_settled_flagged_and_the_value_stands() -> None:
    """The first received counts, and its row is suspect."""
    plan = compile_plan(structure((placement("G"),), (), (PLAIN,)))
    time = np.array([START_US, START_US, START_US + 60_000_000])
    block = Readings.from_columns(
        time, ["G"] * 3, [at_rest(7.0), at_rest(9.0), at_rest(8.0)], np.array([50, 40, 60])
    )

    results = seal(block, plan)

    np.testing.assert_allclose(floats(results, "value"), [9.0, 8.0], rtol=1e-9)
    assert has(results, "contradiction") == [True, False]
    assert int(results.column("flag")[0]) == 3


def test_live_every_value_of_a_time_is_shown_and_the_seal_keeps_one() -> None:
    """
    Three values at the first time in one block, and a fourth in the next: live a row each, the
    chosen one first; in the seal that one alone. What follows is not disturbed.
    """
    plan = compile_plan(structure((placement("G"),), (), (PLAIN,)))
    time = START_US + np.array([0, 0, 0, 60_000_000])
    values = [at_rest(7.0), at_rest(9.0), at_rest(5.0), at_rest(8.0)]
    block = Readings.from_columns(time, ["G"] * 4, values, np.array([50, 40, 60, 70]))
    other = Readings.from_columns(time[3:], ["G"], [at_rest(6.0)], np.array([80]))

    found, state = run_chain(block, initial_state(plan), plan, live=True)
    next_found, after = run_chain(other, state, plan, live=True)

    np.testing.assert_allclose(floats(found, "value"), [9.0, 7.0, 5.0, 8.0], rtol=1e-9)
    assert has(found, "contradiction") == [True, True, True, False]
    np.testing.assert_allclose(floats(next_found, "value"), [6.0], rtol=1e-9)
    assert has(next_found, "contradiction") == [True]
    assert not any(has(found, "late") + has(next_found, "late"))
    assert after.to_json() == state.to_json()
    np.testing.assert_allclose(floats(seal(block, plan), "value"), [9.0, 8.0], rtol=1e-9)


def test_live_values_that_contradict_late_rows_are_late() -> None:
    """Two values at a time that is over: both are left to the seal."""
    plan, state = live_setup()
    late = readings({"C1": ([4000.5, 4000.5], 10_040.0 + np.array([0.0, 1.0]))})

    results, after = run_chain(late, state, plan, live=True)

    assert has(results, "late") == [True, True]
    assert has(results, "contradiction") == [True, True]
    assert after.to_json() == state.to_json()


def test_expired_calibration_still_converts_and_is_suspect() -> None:
    """From the expiry on, not before."""
    short = PLAIN.model_copy(update={"expires": SWAP})
    plan = compile_plan(structure((placement("G"),), (zero("G", 0.0),), (short,)))

    results = seal(readings({"G": (TIMES, at_rest(50.0))}), plan)

    assert has(results, "calibration_expired") == (TIMES >= 3600.0).tolist()
    assert [int(f) for f in results.column("flag")[58:62]] == [1, 1, 3, 3]
    assert np.isfinite(floats(results, "value")).all()


def test_configuration_change_keeps_the_memory_of_what_stayed() -> None:
    """A gauge added and another taken out of the plan leave the third's state alone."""
    first = compile_plan(structure((placement("A"), placement("B")), (), (FULL,)))
    second = compile_plan(structure((placement("A"), placement("C")), (), (FULL,)))
    block = readings({"A": (TIMES, 10_050.0), "B": (TIMES, 10_050.0)})
    _, state = run_chain(block, initial_state(first), first)
    after = readings({"A": ([7200.0], 10_050.0), "C": ([7200.0], 10_050.0)})

    results, kept = run_chain(after, state, second)

    whole = readings({"A": (np.append(TIMES, 7200.0), 10_050.0)})
    expected = floats(seal(whole, first), "creep")[-1]
    assert floats(results, "creep")[0] == pytest.approx(expected, rel=1e-12)
    assert floats(results, "creep")[1] == 0.0
    assert sorted(kept.gauges) == ["A|A|P-A", "C|C|P-C"]


def test_failing_stage_is_named_with_its_gauge(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of the software says which stage, which gauge and how many rows."""

    def broken(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
        raise ZeroDivisionError

    stages = MappingProxyType({**chain.STRAIN_STAGES, "companion": broken})
    monkeypatch.setattr(chain, "STRAIN_STAGES", stages)
    plan = compile_plan(structure((placement("G"),), (), (PLAIN,)))

    with pytest.raises(ChainError) as failed:
        seal(readings({"G": (TIMES, 10_000.0)}), plan)

    assert (failed.value.stage, failed.value.gauge, failed.value.rows) == (
        "companion",
        "G|G|P-G",
        120,
    )
    assert "readings are safe in the spool" in str(failed.value)


def test_state_of_another_version_is_refused() -> None:
    """It names both versions."""
    plan = compile_plan(structure((placement("G"),), (), (PLAIN,)))
    with pytest.raises(StateVersionError) as refused:
        run_chain(readings({"G": ([0.0], 1.0)}), ChainState(version=99), plan)

    assert "has version 99, this software reads version 1" in str(refused.value)


def test_every_stage_has_a_name_of_its_own() -> None:
    """Strain gauges, linear sensors and shunt checks share the quality stage and nothing else."""
    assert list(STAGES) == [
        "signal",
        "climate",
        "moisture",
        "companion",
        "correction",
        "uncertainty",
        "quality",
        "linear",
        "shunt",
    ]


def test_live_memory_of_a_channel_has_a_bound_and_a_gauge_that_is_gone_is_forgotten() -> None:
    """Two days of climate each second cost twelve hours thinned; a removed gauge half a day."""
    gone = placement("OLD", point="P", channel="c", valid_to=START + timedelta(hours=1))
    new = placement("NEW", point="P", channel="c", valid_from=START + timedelta(hours=1))
    plan = compile_plan(structure((gone, new), (), (PLAIN,)))
    state, kept = initial_state(plan), []
    for hour in range(0, 48, 2):
        t = hour * 3600.0 + np.arange(0.0, 7200.0, 1.0)
        block = readings({"ts": (t, 20.0), "c": (t[::600] + 0.5, 10_000.0)})
        _, state = run_chain(block, state, plan, live=True)
        kept.append("OLD|c|P" in state.gauges)

    assert len(state.joined["ts"]) <= 12 * 360 + 900 + 2
    assert kept == [True] * 6 + [False] * 18
    assert "NEW|c|P" in state.gauges
