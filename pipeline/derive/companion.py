"""
Joins the companion: the unstrained gauge in the same climate whose δ is taken off.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import TEST_BIT
from pipeline.derive.block import Block, Context
from pipeline.derive.series import joined_value
from pipeline.derive.state import GaugeState
from pipeline.derive.wiring import electrical_faults, relative_change


def stage_companion(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `companion_delta`; NaN where the companion is silent, too old or electrically at fault.

    There `companion_missing` is set: the reading goes on without it, with a larger uncertainty.
    """
    model, joins = context.strain, context.segment.joins
    if not model.has_companion:
        return block, state
    delta = np.full(len(block), np.nan)
    if model.companion is not None:
        beside = model.companion
        value = joined_value(context.joined, beside.channel, block.time, joins.age_us)
        shown, ratio = relative_change(value, beside.signal)
        faults = electrical_faults(value, ratio, beside.signal).values()
        delta = np.where(np.logical_or.reduce(list(faults)), np.nan, shown)
    missing = np.isnan(delta)
    tests = block.tests.copy()
    tests[missing] |= TEST_BIT["companion_missing"]
    return block.with_columns(tests=tests, companion_delta=delta), state
