"""
Quality tests that hold a reading against those just before it: gap, clock, rate of change, spike.

All are causal: a row is judged once, from what came before it and itself, and never again. So a
spike, which shows only when the next value comes, is told on that next row: `spike` on row n says
that the value of row n-1 stands out from the mean of n-2 and n (QARTOD, test 6). A row that lacks
what a test needs before it, within the same segment and without a gap, is not evaluated.

Ref: IOOS QARTOD manuals for real-time quality control: test 1 gap, 6 spike, 7 rate of change.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Bools, Floats, Ints
from pipeline.derive.block import Block
from pipeline.derive.gauges import Limits, Segment
from pipeline.derive.outcome import Numbers, Outcome
from pipeline.derive.state import GaugeState


def check_gap(block: Block, state: GaugeState, limits: Limits) -> Outcome:
    """Distance to the reading before above `gap_us`; observed [s]. Failed readings end a gap."""
    step, has_before = _step_to_each(block.time, state)
    observed = np.where(has_before, step * 1e-6, np.nan)
    return Outcome("gap", has_before & (step > limits.gap_us), ~has_before, observed)


def check_clock(block: Block, state: GaugeState, limits: Limits) -> Outcome:
    """
    Whether the order of time contradicts the node's own count of its messages.

    A sequence below that of the reading before it in time: the clock stepped back in between (or
    the node lost its count). A distance above `clock_us` although the count goes on by 0 or 1:
    the clock jumped forward (or the node stood still). Observed is the change of the sequence.
    Without a sequence on both readings the test cannot run.
    """
    sequence = block.columns.get("sequence")
    if sequence is None:
        sequence = np.full(len(block), np.nan)
    first = np.nan if state.last_sequence is None else state.last_sequence
    change = np.diff(sequence, prepend=first)
    step, has_before = _step_to_each(block.time, state)
    could = has_before & ~np.isnan(change)
    goes_on = (change >= 0.0) & (change <= 1.0)
    longest = np.iinfo(np.int64).max if limits.clock_us is None else limits.clock_us
    failed = could & ((change < 0.0) | (goes_on & (step > longest)))
    return Outcome("clock", failed, ~could, np.where(could, change, np.nan))


def check_rate(numbers: Numbers, state: GaugeState, segment: Segment, limits: Limits) -> Outcome:
    """Change per second since the value before above `rate_per_s`; exact fractions of a second."""
    time, value = _with_before(numbers, state, segment)
    step = np.diff(time[1:])
    change = np.abs(np.diff(value[1:]))
    could = _is_step(step, limits)
    limit = np.inf if limits.rate_per_s is None else limits.rate_per_s
    # Compared as a change: of a step and a rate that are exact the product is, the ratio is not.
    failed = could & (change > limit * (step * 1e-6))
    rate = np.divide(change, step * 1e-6, out=np.full(len(step), np.nan), where=could)
    return Outcome("rate_of_change", failed, ~could, rate)


def check_spike(numbers: Numbers, state: GaugeState, segment: Segment, limits: Limits) -> Outcome:
    """|v[n-1] - (v[n-2] + v[n])/2| above `spike`, on row n."""
    time, value = _with_before(numbers, state, segment)
    is_step = _is_step(np.diff(time), limits)
    could = is_step[:-1] & is_step[1:]
    height = np.abs(value[1:-1] - (value[:-2] + value[2:]) / 2.0)
    limit = np.inf if limits.spike is None else limits.spike
    return Outcome("spike", could & (height > limit), ~could, np.where(could, height, np.nan))


def _is_step(step: Ints, limits: Limits) -> Bools:
    return (step > 0) & (step <= limits.gap_us)


def _step_to_each(time: Ints, state: GaugeState) -> tuple[Ints, Bools]:
    """Distance of each reading to the one before it [µs], and whether there is one."""
    has_before = np.ones(len(time), bool)
    if len(time) and state.last_time is None:
        has_before[0] = False
    first = time[:1] if state.last_time is None else np.array([state.last_time], np.int64)
    return np.diff(time, prepend=first), has_before


def _with_before(numbers: Numbers, state: GaugeState, segment: Segment) -> tuple[Ints, Floats]:
    """
    Times and values with the two before them in front, shape (n + 2,).

    What is not known, or of another segment, stands at the time of the value after it: a step of
    0, over which nothing is judged.
    """
    time, value = [int(t) for t in numbers.time[:1]] or [0], [np.nan]
    for at, what in ((state.watched_time, state.watched), (state.earlier_time, state.earlier)):
        is_known = at is not None and what is not None and at >= segment.start_us
        time.insert(0, at if is_known and at is not None else time[0])
        value.insert(0, what if is_known and what is not None else np.nan)
    before = np.array(time[:2], np.int64), np.array(value[:2], np.float64)
    return np.concatenate((before[0], numbers.time)), np.concatenate((before[1], numbers.value))
