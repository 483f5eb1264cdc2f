"""
Why a row has its flag, in words with limit and observed value.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, TESTS, Readings
from pipeline.derive.block import Block
from pipeline.derive.chain import initial_state, run_chain
from pipeline.derive.gauges import Gauge, Plan
from pipeline.derive.quality import Explanation, explanations
from tests.derive.examples import everything
from tests.derive.streams import busy_day
from tests.derive.tilt import plan, stream


def blocks(one: Plan, block: Readings, *, live: bool = False) -> list[tuple[Gauge, Block]]:
    """Finished rows of every gauge and segment."""
    found: list[tuple[Gauge, Block]] = []
    run_chain(
        block, initial_state(one), one, live=live, watch=lambda g, rows: found.append((g, rows))
    )
    return found


@cache
def _busy() -> list[tuple[Gauge, Block]]:
    return blocks(everything(), busy_day())


def told(values: list[float], times: list[float], row: int, **point: float) -> list[Explanation]:
    """What is said of one row of the tilt sensor."""
    ((gauge, block),) = blocks(plan(**point), stream(times, values))
    return list(explanations(gauge, block, row))


def test_worst_of_what_is_told_is_the_flag_of_the_row() -> None:
    """Over a day with every kind of gauge and fault: nothing told means 1, else the worst."""
    worse = {2: 0, 3: 1, 4: 2}
    seen: set[str] = set()
    for gauge, block in _busy():
        for row in range(len(block)):
            found = explanations(gauge, block, row)
            seen |= {one.test for one in found}
            flag = max((one.flag for one in found), key=lambda f: worse[f], default=1)

            assert flag == block["flag"][row]
    assert len(seen) > 15


def test_every_failed_bit_has_its_sentence_and_no_other_has() -> None:
    """Tests told as failed are the bits of the row, in the order of the bits."""
    for gauge, block in _busy():
        for row in range(0, len(block), 7):
            bits = int(block.tests[row])
            names = [name for name in TESTS if bits & TEST_BIT[name]]

            assert [e.test for e in explanations(gauge, block, row)][: len(names)] == names


@pytest.mark.parametrize("name", TESTS)
def test_each_test_has_words_whatever_the_row(name: str) -> None:
    """A whole sentence, without a number that is none, for every bit on every kind of gauge."""
    for gauge, block in _busy():
        marked = Block(
            block.time[:1], np.array([TEST_BIT[name]], np.int32), block.unrun[:1],
            {key: values[:1] for key, values in block.columns.items() if key != "unrun_tests"},
        )  # fmt: skip
        with np.errstate(invalid="ignore", divide="ignore"):
            (found,) = explanations(gauge, marked, 0)

        assert found.test == name
        assert found.sentence[0].isupper()
        assert found.sentence.endswith(".")
        assert "nan" not in found.sentence
        assert "None" not in found.sentence


def test_sentence_tells_observed_value_and_limit() -> None:
    """3 in 60 s is 0.05/s; 9 between 0 and 0 stands 9 out; 300 s is a gap of more than 150 s."""
    (rate,) = told([0.0, 3.0], [0.0, 60.0], 1, rate_per_s=0.02)
    (spike,) = told([0.0, 9.0, 0.0], [0.0, 60.0, 120.0], 2, spike_height=2.5)
    (gap,) = told([0.0, 0.0], [0.0, 300.0], 1)
    (gross,) = [e for e in told([7.5], [0.0], 0, gross_high=5.0) if e.flag == 3]

    assert rate.sentence == (
        "The value changed by 0.05 mm/m/s since the one before; the limit is 0.02 mm/m/s."
    )
    assert (rate.observed, rate.limit, rate.unit) == (0.05, (0.02,), "mm/m/s")
    assert spike.sentence == (
        "The value before this one stood 9 mm/m from the mean of the two beside it; the limit is "
        "2.5 mm/m."
    )
    assert gap.sentence == "The reading before came 300 s earlier; more than 150 s is a gap."
    assert gap.observed == 300.0
    assert gross.sentence == "The value 7.5 mm/m lies outside -inf to 5 mm/m."


def test_noise_and_flat_line_tell_their_span() -> None:
    """±1 has a deviation of 1; ten minutes of zeros are flat and attenuated."""
    times = [60.0 * k for k in range(15)]
    (noisy,) = told([float((-1) ** k) for k in range(15)], times, 14, noise_s=600.0, noise_high=0.5)
    flat, weak = told([0.0] * 15, times, 14, flat_s=300.0, noise_s=600.0, noise_low=0.5)

    assert noisy.sentence == (
        "The standard deviation over the 600 s before was 1 mm/m: the gauge is noisy; the limit "
        "is 0.5 mm/m."
    )
    assert flat.sentence == (
        "All values of the last 300 s lie within 0 mm/m: gauge or logger may be stuck."
    )
    assert weak.observed == 0.0
    assert "signal is attenuated" in weak.sentence


def test_clock_tells_a_step_back_from_a_jump() -> None:
    """A lower sequence, and a distance over which the sequence goes on."""
    one = plan(clock_intervals=10.0)
    ((gauge, block),) = blocks(one, stream([0, 60, 120, 3720], [0.0] * 4, [5, 6, 4, 5]))

    back = next(e for e in explanations(gauge, block, 2) if e.test == "clock")
    jump = next(e for e in explanations(gauge, block, 3) if e.test == "clock")

    assert "sequence number is 2 lower" in back.sentence
    assert "comes 3600 s after the reading before, though the sequence goes on by 1" in (
        jump.sentence
    )
    assert (jump.observed, jump.limit) == (3600.0, (600.0,))


def test_what_could_not_run_says_why() -> None:
    """The first reading of a point that requires everything."""
    found = told(
        [0.0], [0.0], 0, rate_per_s=1.0, spike_height=1.0, flat_s=300.0, noise_s=600.0,
        noise_low=0.1, noise_high=1.0, clock_intervals=5.0,
    )  # fmt: skip
    said = {e.test: e.sentence for e in found}

    assert {e.flag for e in found} == {2}
    assert said["gap"] == "The test gap could not run: no reading came before."
    assert "no value came in the 150 s before" in said["rate_of_change"]
    assert "no two values came before" in said["spike"]
    assert "do not reach back over 300 s yet" in said["flat_line"]
    assert "values do not reach back over the 600 s before" in said["noise"]
    assert "fewer than 5 came" in said["attenuated"]
    assert "has no sequence number" in said["clock"]


def test_row_that_passed_has_nothing_told() -> None:
    """Second reading of a sensor with limits that it keeps."""
    assert told([0.0, 0.0], [0.0, 60.0], 1, rate_per_s=1.0, gross_high=5.0) == []


def test_row_outside_every_segment_is_refused() -> None:
    """A block of another gauge would be explained with the wrong limits."""
    ((gauge, block),) = blocks(plan(), stream([0.0], [0.0]))
    moved = Block(block.time * 0, block.tests, block.unrun, block.columns)

    with pytest.raises(ValueError) as refused:
        explanations(gauge, moved, 0)

    assert str(refused.value) == "row 0 at 0 µs lies in no segment of T1|T1|P-T1"
