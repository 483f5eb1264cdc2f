"""
Shunt check: a resistor laid across the arm must change its resistance by -R/(R + R_s).

The reading with the resistor is compared with the last ordinary one of the gauge, so that strain
and climate are in both, and the expected change is that of the arm as it then is. What comes out is
measured over expected change: 1 for a chain that is whole, whatever the gauge feels. The resistor
lies across the arm at the instrument, leads included. The gross range of its point is the
tolerance; a check that does not come in time is a gap there, and a `silent` rule can watch for it.

Ref: J. W. Dally, W. F. Riley, Experimental Stress Analysis, calibration by shunting.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import TEST_BIT, Floats
from pipeline.derive.block import Block, Context
from pipeline.derive.gauges import Signal
from pipeline.derive.series import joined_value
from pipeline.derive.state import GaugeState
from pipeline.derive.wiring import (
    HALF,
    QUARTER,
    RESISTANCE,
    arm_resistance,
    open_ratio,
    relative_change,
)
from pipeline.physics import bridge


def stage_shunt(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `value`, measured over expected change, and its `u`.

    Without a reading of a whole gauge young enough before it the check could not run: no value.
    """
    model, reading = context.shunt, block["reading"]
    signal = model.signal
    before = joined_value(context.joined, model.channel, block.time, context.segment.joins.age_us)
    resistance = present_resistance(before, signal)
    # A gauge that is open has nothing for a shunt to change.
    resistance = np.where(np.isfinite(resistance), resistance, np.nan)
    expected = -resistance / (resistance + model.shunt_ohm)
    value = shunted_change(reading, before, signal) / expected
    tests = block.tests.copy()
    rails = (reading >= signal.rail_high) | (reading <= signal.rail_low)
    tests[rails] |= TEST_BIT["converter_rail"]
    absent = np.isnan(resistance)
    tests[~np.isfinite(value) & ~absent & ~rails] |= TEST_BIT["not_a_number"]
    value = np.where(rails | ~np.isfinite(value), np.nan, value)
    u = np.sqrt(2.0) * model.reading_u / np.abs(expected)
    tests[absent] |= TEST_BIT["shunt"]
    u = np.where(np.isnan(value), np.nan, u)
    return block.with_columns(tests=tests, value=value, u=u), state


def shunted_change(shunted: Floats, before: Floats, signal: Signal) -> Floats:
    """Relative change of the arm's resistance from `before` to `shunted`, both as shown."""
    if signal.wiring in RESISTANCE:
        return arm_resistance(shunted, signal) / arm_resistance(before, signal) - 1.0
    e, rest = open_ratio(shunted, signal), open_ratio(before, signal)
    if signal.wiring in (*QUARTER, *HALF):
        return bridge.arm_ratio(e) / bridge.arm_ratio(rest) - 1.0
    # Of a full bridge one half moves, and how the imbalance is shared out is not known.
    return bridge.quarter_bridge_delta(e - rest)


def present_resistance(before: Floats, signal: Signal) -> Floats:
    """Resistance of the arm, leads included, at a reading [Ω]."""
    if signal.wiring in RESISTANCE:
        return arm_resistance(before, signal)
    nominal = signal.nominal_ohm or np.nan
    if signal.wiring in QUARTER:
        _, ratio = relative_change(before, signal)
        return ratio * bridge.arm_resistance(nominal, signal.series_ohm, signal.leakage_ohm)
    delta, _ = relative_change(before, signal)
    return nominal * (1.0 + delta) + signal.series_ohm
