"""
From the gauge's resistance to what a logger writes down.

Bridges are solved by their node voltages at 1 V of excitation, resistances by Ohm's law.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.simulate.scenario import Channel, Gauge

Floats = npt.NDArray[np.float64]


def measured(gauge: Gauge, delta: Floats) -> Floats:
    """
    What an ideal instrument reads across the gauge at its leads, in the channel's unit.

    Wirings: `quarter_3wire` (ratio in V/V; equal halves; one lead in each arm of the active
    half), `quarter_2wire` (both leads in the gauge's arm), `resistance_4wire`,
    `resistance_2wire` (ohms, both leads in it).

    Raises:
        ValueError: another wiring.
    """
    ohms = gauge.resistance_ohm * (1 + delta)
    if gauge.leakage_ohm is not None:
        ohms = ohms * gauge.leakage_ohm / (ohms + gauge.leakage_ohm)
    completion = gauge.resistance_ohm * (1 - gauge.imbalance)
    lead = gauge.lead_ohm
    if gauge.wiring == "resistance_4wire":
        return ohms
    if gauge.wiring == "resistance_2wire":
        return ohms + 2 * lead
    if gauge.wiring == "quarter_3wire":
        return bridge_ratio(ohms + lead, completion + lead)
    if gauge.wiring == "quarter_2wire":
        return bridge_ratio(ohms + 2 * lead, np.full_like(ohms, completion))
    raise ValueError(
        f'gauge "{gauge.serial}": wiring "{gauge.wiring}" is not simulated; take quarter_2wire, '
        "quarter_3wire, resistance_2wire or resistance_4wire"
    )


def bridge_ratio(active_ohm: Floats, completion_ohm: npt.ArrayLike) -> Floats:
    """
    Output of a bridge per volt of excitation: potential between the two middles, V/V.

    The middle of the active half stands at active/(active + completion) of the excitation, that
    of the other half, of two equal resistors, at one half. More resistance gives more output.
    """
    return np.asarray(active_ohm / (active_ohm + np.asarray(completion_ohm)) - 0.5)


def converted(channel: Channel, value: Floats, noise: Floats) -> Floats:
    """What the converter writes: bias and noise added, stepped, held at its two ends."""
    # Steps below 1 are one over a whole number: dividing by it gives the decimal a logger prints.
    per_unit = max(1, round(1 / channel.step))
    step = channel.step if channel.step >= 1 else 1.0
    counts = np.round((value + channel.bias + channel.noise * noise) / step * per_unit)
    return np.clip(counts * step / per_unit, channel.low, channel.high)
