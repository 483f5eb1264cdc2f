"""
Joins the climate of a gauge to its readings by time.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import TEST_BIT
from pipeline.derive.block import Block, Context
from pipeline.derive.series import joined_value
from pipeline.derive.state import GaugeState


def stage_climate(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `temperature` [°C] at the gauge and `humidity` [%RH] of the air; NaN: none young enough.

    A temperature that the model needs and has not makes a reading `uncompensated`.
    """
    joins, joined = context.segment.joins, context.joined
    temperature = joined_value(joined, joins.temperature, block.time, joins.age_us)
    humidity = joined_value(joined, joins.humidity, block.time, joins.age_us)
    tests = block.tests
    if context.strain.thermal.is_needed:
        missing = np.isnan(temperature)
        tests = np.where(missing, tests | TEST_BIT["uncompensated"], tests).astype(np.int32)
    return block.with_columns(tests=tests, temperature=temperature, humidity=humidity), state
