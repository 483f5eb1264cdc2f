"""
Warm-up after a gap: excitation that was off comes back and heats the gauge on its poor heat sink.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.blocks import TEST_BIT
from pipeline.derive.block import Block, Context, Tests
from pipeline.derive.state import GaugeState


def warming_up(block: Block, state: GaugeState, context: Context) -> tuple[Tests, GaugeState]:
    """
    A copy of the block's tests with `warm_up` set for so long after a gap as the placement states.

    The gauge was off before its first reading and in every gap (`Limits.gap_us`). Late rows are
    left alone: they are not evaluated anyway, and what lay between is not kept.
    """
    tests = block.tests.copy()
    warm_up_us = context.segment.warm_up_us
    if not warm_up_us or not len(block) or context.is_late:
        return tests, state
    last, since = state.awake_time, state.awake_since
    before = block.time[0] if last is None else last
    woken = np.diff(block.time, prepend=before) > context.gauge.limits.gap_us
    woken[0] |= last is None
    start = block.time[0] if since is None else since
    awake_since = np.maximum.accumulate(np.where(woken, block.time, start))
    tests[block.time - awake_since < warm_up_us] |= TEST_BIT["warm_up"]
    after = replace(state, awake_time=int(block.time[-1]), awake_since=int(awake_since[-1]))
    return tests, after
