"""
One suite over every stage and over the chain as a whole.

Input unchanged; cut anywhere, same result; save and load the state midway, same result; replay,
same result; NaN, empty and one-row blocks; no flag gets better.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest

from pipeline.blocks import TERMS, Readings, Results, concat_results, sort_results
from pipeline.derive.block import Block, Context
from pipeline.derive.chain import STAGES, ChainState, initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.derive.state import GaugeState
from tests.derive.examples import everything
from tests.derive.stage_inputs import StageInput, frozen, joined_blocks, rows_of, stage_inputs
from tests.derive.streams import assert_close, busy_day, without_others


@cache
def _plan() -> Plan:
    return everything()


@cache
def _inputs(stage: str) -> tuple[StageInput, ...]:
    return tuple(stage_inputs(stage, _plan(), busy_day()))


def _saved(state: GaugeState) -> GaugeState:
    whole = ChainState(gauges={"one": state})
    return ChainState.from_json(whole.to_json()).gauges["one"]


def _assert_same(found: Block, expected: Block, relative: float = 1e-9) -> None:
    assert found.columns.keys() == expected.columns.keys()
    np.testing.assert_array_equal(found.time, expected.time)
    np.testing.assert_array_equal(found.tests, expected.tests)
    np.testing.assert_array_equal(found.unrun, expected.unrun)
    for name, column in expected.columns.items():
        # A term is the difference of two strains in µm/m: small ones have their rounding.
        absolute = 1e-12 if name in TERMS else 1e-15
        np.testing.assert_allclose(found[name], column, relative, absolute, err_msg=name)


@pytest.mark.parametrize("name", STAGES)
def test_stage_is_reached_by_every_kind_of_gauge_that_has_it(name: str) -> None:
    """The suite below tests something: each stage is fed, and some gauge gives it many rows."""
    assert max(len(one.block) for one in _inputs(name)) > 100


@pytest.mark.parametrize("name", STAGES)
def test_stage_leaves_its_input_as_it_was_and_replays_the_same(name: str) -> None:
    """A stage writes to none of its arrays; run twice, it gives the same bits."""
    for one in _inputs(name):
        block = frozen(one.block)

        first, after = STAGES[name](block, one.state, one.context)
        again, after_again = STAGES[name](block, one.state, one.context)

        _assert_same(again, first, 0.0)
        assert after == after_again
        for column, values in one.block.columns.items():
            assert first[column] is block[column] or np.array_equal(
                first[column], values, equal_nan=True
            )


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.parametrize("share", [0.0, 0.001, 0.31, 0.5, 0.87, 1.0])
def test_stage_cut_anywhere_with_its_state_saved_gives_the_same(name: str, share: float) -> None:
    """Two halves with the state between them through JSON are the whole."""
    for one in _inputs(name):
        whole, state = STAGES[name](one.block, one.state, one.context)
        cut = round(share * len(one.block))

        head, between = STAGES[name](rows_of(one.block, slice(0, cut)), one.state, one.context)
        rest = rows_of(one.block, slice(cut, None))
        tail, after = STAGES[name](rest, _saved(between), one.context)

        _assert_same(joined_blocks(head, tail), whole)
        assert after.last_time == state.last_time
        assert after.first_time == state.first_time


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.parametrize("is_late", [False, True])
def test_stage_takes_empty_one_row_and_nan_blocks(name: str, is_late: bool) -> None:
    """Blocks without rows, with one row and without a number go through, row for row."""
    with np.errstate(invalid="ignore", divide="ignore"):
        for one in _inputs(name):
            context = Context(one.context.gauge, one.context.segment, one.context.joined, is_late)
            absent = Block(
                one.block.time,
                one.block.tests,
                one.block.unrun,
                {key: np.full(len(one.block), np.nan) for key in one.block.columns},
            )
            for block in (
                rows_of(one.block, slice(0, 0)),
                rows_of(one.block, slice(0, 1)),
                absent,
                rows_of(absent, slice(0, 1)),
            ):
                after, _ = STAGES[name](block, one.state, context)

                assert len(after) == len(block)
                assert all(len(column) == len(block) for column in after.columns.values())


@pytest.mark.parametrize("name", STAGES)
def test_stage_lets_no_flag_get_better(name: str) -> None:
    """Bits of failed tests and tests that did not run are only ever added."""
    for one in _inputs(name):
        after, _ = STAGES[name](one.block, one.state, one.context)

        assert np.array_equal(after.tests & one.block.tests, one.block.tests)
        assert np.all(after.unrun >= one.block.unrun)


def _cuts(stream: Readings, count: int, seed: int) -> Iterator[Readings]:
    """The stream in pieces, cut only where time goes on: readings of one time come together."""
    time = stream.column("time").astype(np.int64)
    allowed = np.flatnonzero(np.diff(time) > 0) + 1
    rng = np.random.default_rng(seed)
    places = np.sort(rng.choice(allowed, count, replace=False)).tolist()
    for a, b in zip([0, *places], [*places, len(stream)], strict=True):
        yield stream.take(np.arange(a, b))


def _live(pieces: Iterator[Readings], plan: Plan) -> tuple[Results, ChainState]:
    state, parts = initial_state(plan), []
    for piece in pieces:
        results, state = run_chain(piece, ChainState.from_json(state.to_json()), plan, live=True)
        parts.append(results)
    return sort_results(concat_results(parts)), state


@cache
def _sealed() -> Results:
    return run_chain(busy_day(), initial_state(_plan()), _plan())[0]


@pytest.mark.slow
@pytest.mark.parametrize(("count", "seed"), [(1, 1), (7, 2), (400, 3)])
def test_chain_live_cut_anywhere_in_order_gives_what_the_seal_gives(count: int, seed: int) -> None:
    """N2: blocks of any size, with the state saved between, give the sealed results."""
    results, _ = _live(_cuts(busy_day(), count, seed), _plan())

    assert len(results) > len(_sealed())
    assert_close(without_others(results), _sealed())


def test_chain_seals_the_same_bits_whatever_the_order_of_arrival() -> None:
    """N2: the complete window gives equal bytes, however its rows are shuffled."""
    stream = busy_day()
    shuffled = stream.take(np.random.default_rng(4).permutation(len(stream)))

    results, state = run_chain(shuffled, initial_state(_plan()), _plan())

    sealed, expected = run_chain(stream, initial_state(_plan()), _plan())
    assert results.table.equals(sealed.table)
    assert state.to_json() == expected.to_json()


@pytest.mark.parametrize("share", [0.02, 0.3, 0.51, 0.6, 0.9])
def test_chain_sealed_in_windows_from_edge_states_gives_the_whole(share: float) -> None:
    """What is kept at the edge of a window is all that the next one needs."""
    stream = busy_day()
    time = stream.column("time").astype(np.int64)
    edge = time[0] + share * (time[-1] - time[0])

    before, state = run_chain(stream.take(time < edge), initial_state(_plan()), _plan())
    kept = ChainState.from_json(state.to_json())
    after, _ = run_chain(stream.take(time >= edge), kept, _plan())

    assert_close(sort_results(concat_results([before, after])), _sealed())


def test_chain_gives_a_row_for_every_reading_once_and_leaves_the_block_alone() -> None:
    """A placed gauge's reading is a row, whatever its flag; repeats are one; input stays."""
    stream = busy_day()
    copy = stream.take(np.arange(len(stream)))
    names = np.array(stream.table.column("channel").to_pylist())
    time = stream.column("time").astype(np.int64)
    gauges = {"F1", "C1", "C2", "K2", "C3", "B1", "T1", "C5", "K5"}
    gauges |= {"B2", "D1", "Z1", "F1-shunt"}
    expected = len({(n, t) for n, t in zip(names, time, strict=True) if n in gauges})

    results, state = run_chain(stream, initial_state(_plan()), _plan())

    assert len(results) == expected
    assert stream.table.equals(copy.table)
    empty, same = run_chain(Readings.empty(), state, _plan())
    assert len(empty) == 0
    assert same is state
