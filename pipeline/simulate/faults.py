"""
What goes wrong, as items on a schedule: gauges, converters, nodes and their clocks.

A fault changes what is sent, never the truth that is kept beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from pipeline.simulate.noise import uniform
from pipeline.simulate.scenario import Channel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FaultKind = Literal["open", "short", "stuck", "spikes", "silence", "clock_jump", "drift"]
FAULT_KINDS: tuple[str, ...] = get_args(FaultKind)
SPIKE_SHARE = 0.03
SHORT_OHM = 0.3
"""What is left of a shorted gauge."""
DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Fault:
    """
    One fault from a time to a time (exclusive).

    `target` is a channel, or a node for `silence` and `clock_jump`. `size` depends on the kind:
    `spikes` height in the channel's unit, `clock_jump` seconds added to the time stamps, `drift`
    change a day in the channel's unit; unused by the others.
    """

    kind: FaultKind
    target: str
    start_us: int
    end_us: int
    size: float = 0.0

    def holds(self, time_us: Ints) -> Bools:
        """Where it is in force, shape (n,)."""
        return np.asarray((time_us >= self.start_us) & (time_us < self.end_us))


def faulty_values(
    faults: Sequence[Fault],
    channel: Channel,
    time_us: Ints,
    value: Floats,
    clean: Callable[[Ints], Floats],
    seed: int,
) -> Floats:
    """
    Values of one channel with its faults in, shape (n,); `value` is left as it is.

    Args:
        time_us: true times of the readings, on the channel's grid.
        clean: readings without faults at given times: what a stuck converter keeps showing.
    """
    sent = value.copy()
    interval_us = round(channel.interval_s * 1e6)
    for fault in faults:
        where = fault.holds(time_us)
        if fault.target != channel.id or not where.any():
            continue
        if fault.kind == "open":
            sent[where] = channel.high
        elif fault.kind == "short":
            sent[where] = SHORT_OHM if channel.unit == "Ohm" else channel.low
        elif fault.kind == "stuck":
            begun = -(-fault.start_us // interval_us) * interval_us
            sent[where] = clean(np.array([begun], np.int64))[0]
        elif fault.kind == "drift":
            since = (time_us[where] - fault.start_us) / DAY_US
            sent[where] = np.clip(sent[where] + fault.size * since, channel.low, channel.high)
        elif fault.kind == "spikes":
            sent = np.where(where, _spiked(fault, channel, time_us, sent, seed), sent)
    return sent


def _spiked(fault: Fault, channel: Channel, time_us: Ints, value: Floats, seed: int) -> Floats:
    index = time_us // round(channel.interval_s * 1e6)
    first, count = int(index[0]), int(index[-1] - index[0]) + 1
    draw = uniform(seed, f"spikes/{channel.id}", first, count)[index - first]
    sign = np.where(draw < SPIKE_SHARE / 2, -1.0, 1.0)
    spiked = np.clip(value + sign * fault.size, channel.low, channel.high)
    return np.where(draw < SPIKE_SHARE, spiked, value)


def is_silent(faults: Sequence[Fault], channel: Channel, time_us: Ints) -> Bools:
    """Where a channel, or its whole node, sends nothing, shape (n,)."""
    silent = np.zeros(len(time_us), bool)
    for fault in faults:
        if fault.kind == "silence" and fault.target in (channel.id, channel.node):
            silent |= fault.holds(time_us)
    return silent


def stamps(faults: Sequence[Fault], node: str, time_us: Ints) -> Ints:
    """Time stamps that a node writes: true times moved by its clock's jumps, shape (n,)."""
    written = time_us.copy()
    for fault in faults:
        if fault.kind == "clock_jump" and fault.target == node:
            written = written + np.where(fault.holds(time_us), round(fault.size * 1e6), 0)
    return written
