"""
Leakage, and the companion against what its own calibration expects.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.block import Block
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Gauge, Plan
from pipeline.physics.environment import polynomial
from tests.derive.examples import (
    DAMP,
    FILM_OUTPUT,
    FULL,
    PLAIN_FILM,
    calibration,
    film,
    placement,
    structure,
)
from tests.derive.streams import Floats, floats, readings
from tests.derive.tilt import flags, has

T = np.arange(0.0, 18_000.0, 60.0)
"""Five hours: over three time constants of the film, so that its cold start is forgotten."""
N = len(T)


def shown(drop: float, insulation: float, **point: Any) -> Results:
    """A 300 kΩ gauge of factor 20 with an insulation beside it, at a point with this limit."""
    fields = {"leakage_drop": drop, **point}
    line = calibration("line").model_copy(
        update={"curve": calibration("line").curve.model_copy(update={"coefficients": (20.0,)})}  # type: ignore[union-attr]
    )
    gauge = placement("C1", unstrained=300e3, calibration="line", compensation="none")
    one = compile_plan(structure((gauge,), (), (line,), points={"P-C1": fields}))
    value = 300e3 * insulation / (300e3 + insulation)
    return run_chain(readings({"C1": (T, np.full(N, value))}), initial_state(one), one)[0]


def test_leakage_is_the_loss_of_resistance_by_an_insulation_beside_the_gauge() -> None:
    """Trade: 100 MΩ across 300 kΩ looks like -150 µm/m at a factor of 20: a loss of 0.299 %."""
    loss = 300e3 / (300e3 + 100e6)

    below = shown(loss * 0.999, 100e6)
    above = shown(loss * 1.001, 100e6)

    assert has(below, "leakage") == [1] * N
    assert has(above, "leakage") == [0] * N
    np.testing.assert_allclose(floats(below, "value"), -150.0, atol=1.0)
    assert set(flags(below)) == {3}


def test_leakage_is_suspect_and_keeps_its_value() -> None:
    """Only electrical impossibility fails; a quarter of the resistance lost is none."""
    results = shown(0.2, 900e3)

    assert set(flags(results)) == {3}
    assert np.isfinite(floats(results, "value")).all()


def beside(calibrated: str = "full", **point: Any) -> Plan:
    """C1 with the companion K1, both on the same film, and the comparison at 20 µm/m."""
    fields = {"companion_um_m": 20.0, **point}
    both = (
        film("C1", compensation="companion", companion="K1", calibration=calibrated),
        film("K1", calibration=calibrated, free=True),
    )
    return compile_plan(structure(both, points={"P-C1": fields}))


def climate(surface: Floats, humidity: float = 62.0) -> dict[str, tuple[Floats, Floats]]:
    """Surface, air as warm, and humidity, each a second before the gauges."""
    return {
        "ts": (T - 3.0, surface),
        "ta": (T - 3.0, surface),
        "rh": (T - 2.0, np.full(N, humidity)),
    }


def companion_ohm(surface: Floats, off_um_m: float = 0.0) -> Floats:
    """By the model on paper: R0·(1 + A(T) + H(w) + ageing + F(off)), from 17 °C and 62 %RH."""
    sheet, wet = FILM_OUTPUT.output, DAMP.output
    rest = 1.0 + float(polynomial(sheet, -3.0)) + float(polynomial(wet, 0.12))
    effect = polynomial(sheet, surface - 20.0) + float(polynomial(wet, 0.12))
    effect = effect - 2e-4 * np.log1p(T / (365.25 * 86_400.0))
    factor = 0.0062 / 300e-6
    leak = 10_000.0 * 5e8 / (5e8 - 10_000.0)  # of the gauge alone, the leakage taken off
    gauge = leak / rest * (1.0 + effect + factor * off_um_m * 1e-6)
    return np.asarray(gauge * 5e8 / (gauge + 5e8))


def judged(one: Plan, off_um_m: float, without: str = "") -> Block:
    """Rows of C1 while its companion stands `off_um_m` from what the climate does to it."""
    surface = 17.0 + 8.0 * np.sin(T / 1500.0)
    streams = {k: v for k, v in climate(surface).items() if k != without}
    if without != "K1":
        streams["K1"] = (T - 1.0, companion_ohm(surface, off_um_m))
    streams["C1"] = (T, companion_ohm(surface))
    found: list[Block] = []

    def watch(gauge: Gauge, block: Block) -> None:
        if gauge.serial == "C1":
            found.append(block)

    run_chain(readings(streams), initial_state(one), one, watch=watch)
    (block,) = found
    return block


def bit(block: Block, column: str = "tests") -> list[int]:
    """1 where the companion disagrees, or with `unrun_tests` where that could not be told."""
    bits = block.tests if column == "tests" else block[column].astype(np.int64)
    return [int(b & TEST_BIT["companion_disagrees"] != 0) for b in bits]


@pytest.mark.parametrize(("off", "expected"), [(0.0, 0), (15.0, 0), (30.0, 1), (-30.0, 1)])
def test_companion_is_compared_with_what_the_climate_should_do_to_it(
    off: float, expected: int
) -> None:
    """20 µm/m: within, nothing; beyond on either side the row is suspect, its value stands."""
    block = judged(beside(), off)
    settled = int(np.argmin(bit(block, "unrun_tests")))

    # u of w falls from 0.289 towards 0.023 and counts as settled at 0.04: in 2.75 time constants.
    assert 2.5 * 5400.0 < T[settled] < 3.0 * 5400.0
    assert bit(block)[:settled] == [0] * settled
    assert bit(block)[settled:] == [expected] * (N - settled)
    assert np.isfinite(block["value"]).all()
    np.testing.assert_allclose(
        block["observed_companion_disagrees"][settled:] * 1e6, off, atol=0.05 * abs(off) + 1e-6
    )


@pytest.mark.parametrize("without", ["", "rh"])
def test_film_that_is_only_compared_sets_no_bit_of_its_own(without: str) -> None:
    """A gauge with a companion does not rest on humidity: without any, it is not uncompensated."""
    bits = TEST_BIT["uncompensated"] | TEST_BIT["warm_up"] | TEST_BIT["condensation"]

    assert not (judged(beside(), 0.0, without).tests & bits).any()


@pytest.mark.parametrize("without", ["rh", "ts", "K1"])
def test_companion_cannot_be_compared_where_something_is_not_known(without: str) -> None:
    """Humidity, temperature or the companion itself: not run, which is not a pass."""
    block = judged(beside(), 500.0, without)

    assert bit(block) == [0] * N
    assert bit(block, "unrun_tests") == [1] * N
    assert block.unrun.all()


def test_comparison_is_only_made_where_a_limit_is_stated() -> None:
    """No limit: no bit, and no film to follow."""
    one = beside(companion_um_m=None)

    block = judged(one, 500.0)

    assert bit(block) == bit(block, "unrun_tests") == [0] * N
    assert not any(g.has_film for g in one.gauges if g.serial == "C1")


def test_companion_without_moisture_is_compared_by_temperature_alone() -> None:
    """A calibration without [moisture] needs no humidity channel."""
    assert PLAIN_FILM.moisture is None
    assert FULL.moisture is not None
    one = beside("film")
    surface = np.full(N, 17.0)
    both = {"K1": (T - 1.0, np.full(N, 10_100.0)), "C1": (T, np.full(N, 10_000.0))}

    results = run_chain(readings({"ts": (T - 3.0, surface), **both}), initial_state(one), one)[0]

    names = np.array(results.table.column("point").to_pylist())
    assert set(has(results.take(names == "P-C1"), "companion_disagrees")) == {1}
