"""
What each stage is given on a stream, and small operations on its blocks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pipeline.blocks import Readings
from pipeline.derive.block import Block, Context
from pipeline.derive.chain import stages_of
from pipeline.derive.gauges import Plan
from pipeline.derive.select import select_channels
from pipeline.derive.series import Series
from pipeline.derive.state import GaugeState


@dataclass(frozen=True, eq=False)
class StageInput:
    """Arguments of one call of a stage."""

    block: Block
    state: GaugeState
    context: Context


def stage_inputs(name: str, plan: Plan, stream: Readings) -> Iterator[StageInput]:
    """The arguments of a stage for each gauge and segment, after the stages before it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        rows = select_channels(stream, plan.channels)
        joined = {c: Series(rows[c].time, rows[c].value) for c in plan.joined_channels}
        for gauge in plan.gauges:
            state, found = GaugeState(), rows[gauge.channel]
            for segment in gauge.segments:
                inside = (found.time >= segment.start_us) & (found.time < segment.end_us)
                some = found.take(inside)
                tests = some.contradicted.astype(np.int32) * 4096
                columns = {"reading": some.value}
                if some.sequence is not None:
                    columns["sequence"] = some.sequence
                block = Block(some.time, tests, np.zeros(len(some), bool), columns)
                context = Context(gauge, segment, joined)
                for stage_name, stage in stages_of(segment).items():
                    if stage_name == name:
                        yield StageInput(block, state, context)
                    block, state = stage(block, state, context)


def rows_of(block: Block, rows: slice) -> Block:
    """Some rows of a block."""
    columns = {name: column[rows] for name, column in block.columns.items()}
    return Block(block.time[rows], block.tests[rows], block.unrun[rows], columns)


def joined_blocks(first: Block, second: Block) -> Block:
    """Rows of both; a column that an empty block lacks does not count."""
    if not len(first) or not len(second):
        return second if not len(first) else first
    columns = {
        name: np.concatenate((column, second[name])) for name, column in first.columns.items()
    }
    return Block(
        np.concatenate((first.time, second.time)),
        np.concatenate((first.tests, second.tests)),
        np.concatenate((first.unrun, second.unrun)),
        columns,
    )


def frozen(block: Block) -> Block:
    """A copy whose arrays refuse to be written to."""
    copy = replace(
        block,
        time=block.time.copy(),
        tests=block.tests.copy(),
        unrun=block.unrun.copy(),
        columns={name: column.copy() for name, column in block.columns.items()},
    )
    for array in (copy.time, copy.tests, copy.unrun):
        array.flags.writeable = False
    for column in copy.columns.values():
        column.flags.writeable = False
    return copy
