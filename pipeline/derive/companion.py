"""
Joins the companion: the unstrained gauge in the same climate whose δ is taken off.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import TEST_BIT
from pipeline.derive.block import Block, Context
from pipeline.derive.series import last_value
from pipeline.derive.state import GaugeState
from pipeline.derive.wiring import change_at, electrical_faults, heard_series


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
        series = heard_series(context.joined, beside.channel, beside.signal)
        value = last_value(series, block.time, joins.age_us)
        shown, leads_c, ratio = change_at(value, beside.signal, block, context.joined, joins.age_us)
        # The rails of an impedance are those of its two parts, and are looked at there.
        raw = value if beside.signal.imaginary is None else np.full(len(block), np.nan)
        faults = electrical_faults(raw, ratio, beside.signal).values()
        unknown = False if leads_c is None else np.isnan(leads_c)
        delta = np.where(np.logical_or.reduce([*faults]) | unknown, np.nan, shown)
    missing = np.isnan(delta)
    tests = block.tests.copy()
    tests[missing] |= TEST_BIT["companion_missing"]
    return block.with_columns(tests=tests, companion_delta=delta), state
