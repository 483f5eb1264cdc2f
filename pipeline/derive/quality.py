"""
Tests on a point's value, and the flag of each row (QARTOD: 4 before 3 before 2 before 1).

- 4 fail: an electrical impossibility (open, short, rail, not a number); the value is null.
- 3 suspect: gross range, rate of change, spike, flat line, gap, clock, noise, attenuated, leakage,
  companion or neighbour disagreement, beyond range, contradiction, condensation, calibration out
  of date, and a correction that could not be made (uncompensated, companion missing): the number
  stands, and is watched like any other.
- 2 not evaluated: a test that the point requires could not run (gap and clock at the first
  reading; rate and spike after a gap, a seam and at the first values; flat line and noise until
  their window is full; the companion where the climate is not known; all that need what came
  before for late rows, and live for values that contradict another), or the value cannot be
  judged yet (relative_only before the first zero, warm_up).
- 1 pass: every required test ran, and none failed.

A test is required where the point states its limit; the gap test always is. Every test is causal:
a row is judged once, and nothing that comes later changes it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.blocks import TEST_BIT
from pipeline.derive.block import Block, Context
from pipeline.derive.flags import SUSPECTING, UNJUDGED, flags_of
from pipeline.derive.flat import check_flat_line
from pipeline.derive.gauges import Limits
from pipeline.derive.outcome import Numbers, Outcome, numbers_of, with_outcomes
from pipeline.derive.quality_electrical import check_companion, check_leakage
from pipeline.derive.quality_explained import Explanation, explanations
from pipeline.derive.quality_noise import check_noise
from pipeline.derive.quality_steps import check_clock, check_gap, check_rate, check_spike
from pipeline.derive.state import GaugeState

__all__ = ["SUSPECTING", "UNJUDGED", "Explanation", "explanations", "flags_of", "stage_quality"]


def stage_quality(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds the bits of the tests on the value and `flag`; for `explanations` also what each test
    compared (`observed_…`) and which could not run (`unrun_tests`).
    """
    outcomes, after = _pointwise(block, context), state
    if context.is_late:
        if not context.is_contradicting:
            block = block.with_columns(tests=block.tests | np.int32(TEST_BIT["late"]))
        outcomes += _unrun(block, context.gauge.limits)
    else:
        ordered, after = _in_order(block, state, context)
        outcomes += ordered
    judged = with_outcomes(block, outcomes)
    flag = flags_of(judged.tests, judged.unrun)
    return judged.with_columns(flag=flag.astype(np.float64)), after


def _pointwise(block: Block, context: Context) -> list[Outcome]:
    """Outcomes of the tests that need no reading but the row itself."""
    limits, model = context.gauge.limits, context.segment.strain
    outcomes = [_check_gross_range(block, limits)]
    if model is not None and limits.leakage_drop is not None:
        outcomes.append(check_leakage(block, limits))
    if model is not None and limits.companion is not None:
        outcomes.append(check_companion(block, model, limits))
    return outcomes


def _check_gross_range(block: Block, limits: Limits) -> Outcome:
    low = float("-inf") if limits.gross_low is None else limits.gross_low
    high = float("inf") if limits.gross_high is None else limits.gross_high
    value = block["value"]
    return Outcome("gross_range", (value < low) | (value > high), np.zeros(len(block), bool))


def _in_order(
    block: Block, state: GaugeState, context: Context
) -> tuple[list[Outcome], GaugeState]:
    """Outcomes of the tests that look at what came before, and the memory after the rows."""
    limits = context.gauge.limits
    numbers = numbers_of(block)
    outcomes = [check_gap(block, state, limits)]
    if limits.clock_us is not None:
        outcomes.append(check_clock(block, state, limits))
    on_numbers, after = _on_numbers(numbers, state, context)
    outcomes += [one.at(numbers.rows, len(block)) for one in on_numbers]
    if len(block):
        sequence = block.columns.get("sequence") if limits.clock_us is not None else None
        last = np.nan if sequence is None else float(sequence[-1])
        after = replace(
            after,
            last_time=int(block.time[-1]),
            last_sequence=None if np.isnan(last) else last,
        )
    return outcomes, after


def _on_numbers(
    numbers: Numbers, state: GaugeState, context: Context
) -> tuple[list[Outcome], GaugeState]:
    """Tests between values; failed readings are passed over."""
    limits, segment = context.gauge.limits, context.segment
    if not len(numbers):
        return [], state
    outcomes = []
    if limits.rate_per_s is not None:
        outcomes.append(check_rate(numbers, state, segment, limits))
    if limits.spike is not None:
        outcomes.append(check_spike(numbers, state, segment, limits))
    after = _with_newest(numbers, state, limits)
    if limits.flat_us is not None:
        flat, unrun, after = check_flat_line(numbers.time, numbers.value, after, limits)
        outcomes.append(Outcome("flat_line", flat, unrun))
    noise = None
    if limits.slice_us is not None:
        noisy, noise = check_noise(numbers, state.noise, segment, limits)
        outcomes += noisy
    return outcomes, replace(after, noise=noise)


def _with_newest(numbers: Numbers, state: GaugeState, limits: Limits) -> GaugeState:
    """What is remembered of a test that the point does not state is let go."""
    time, value = numbers.time, numbers.value
    earlier: tuple[int | None, float | None] = (None, None)
    if limits.spike is not None:
        is_one = len(numbers) == 1
        earlier = (
            (state.watched_time, state.watched) if is_one else (int(time[-2]), float(value[-2]))
        )
    return replace(
        state,
        watched_time=int(time[-1]),
        watched=float(value[-1]),
        first_time=int(time[0]) if state.first_time is None else state.first_time,
        earlier_time=earlier[0],
        earlier=earlier[1],
    )


def _unrun(block: Block, limits: Limits) -> list[Outcome]:
    """Late rows: what came before them is not at hand."""
    required = {
        "gap": True,
        "clock": limits.clock_us is not None,
        "rate_of_change": limits.rate_per_s is not None,
        "spike": limits.spike is not None,
        "flat_line": limits.flat_us is not None,
        "noise": limits.slice_us is not None and limits.noise_high is not None,
        "attenuated": limits.slice_us is not None and limits.noise_low is not None,
    }
    none, every = np.zeros(len(block), bool), np.ones(len(block), bool)
    return [Outcome(name, none, every) for name, is_required in required.items() if is_required]
