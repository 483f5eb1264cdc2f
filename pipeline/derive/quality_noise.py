"""
Quality tests on the running standard deviation: noise growth and attenuated signal.

Time is cut into slices of a tenth of the stated span, counted from 1970, so that they lie the same
however a stream is cut. The rows of a slice are judged by the ten complete slices before it: the
standard deviation (n) of all values in them. It is known once values reach back over all ten
and half of those due have come. A seam starts anew: what changed there is not noise.

Sums within a slice are taken one value after the other about its first value, so that a carried
slice gives the same bits as one that came whole.

Ref: IOOS QARTOD manuals for real-time quality control, test 10 (attenuated signal).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats, Ints
from pipeline.derive.gauges import Limits, Segment
from pipeline.derive.limits import NOISE_SLICES
from pipeline.derive.outcome import Numbers, Outcome
from pipeline.derive.state import NoiseState

_LARGEST = 1e100
"""A deviation beyond counts as this; no limit lies there."""


@dataclass(frozen=True, eq=False)
class _Slices:
    """The columns of `NoiseState` as arrays of one length."""

    index: Ints
    count: Floats
    origin: Floats
    total: Floats
    square: Floats


def check_noise(
    numbers: Numbers, state: NoiseState | None, segment: Segment, limits: Limits
) -> tuple[list[Outcome], NoiseState | None]:
    """
    Outcomes of `noise` and `attenuated` where a limit is stated, and the memory after the rows.

    Args:
        numbers: rows with a number, ascending, shape (n,).
        state: of the block before; from before the segment, or with slices of another width (the
            span was changed), it is dropped.
        segment: of the rows.
        limits: with `slice_us` set.
    """
    width = limits.slice_us or 1
    if state is not None and (state.since < segment.start_us or state.width != width):
        state = None
    deviation = np.empty(0)
    if len(numbers):
        since = int(numbers.time[0]) if state is None else state.since
        slices, place = _sliced(numbers, state, width)
        of_slice = _deviations(slices, limits.noise_count)
        of_slice[(slices.index - NOISE_SLICES) * width < since] = np.nan
        deviation = of_slice[place]
        state = _state(slices, width, since)
    unrun = np.isnan(deviation)
    outcomes = []
    if limits.noise_high is not None:
        outcomes.append(Outcome("noise", deviation > limits.noise_high, unrun, deviation))
    if limits.noise_low is not None:
        outcomes.append(Outcome("attenuated", deviation < limits.noise_low, unrun, deviation))
    return outcomes, state


def _sliced(numbers: Numbers, state: NoiseState | None, width: int) -> tuple[_Slices, Ints]:
    """The slices of state and rows, ascending, and the place of each row among them."""
    old = _arrays(state)
    of_row = numbers.time // width
    index = np.union1d(old.index, of_row)
    place = np.searchsorted(index, of_row)
    at_old = np.searchsorted(index, old.index)
    first = np.searchsorted(of_row, index)
    origin = numbers.value[np.minimum(first, len(numbers) - 1)].copy()
    origin[at_old] = old.origin
    # What is carried comes first of its slice: bincount adds in the order of its input.
    group = np.concatenate((at_old, place))
    away = _bounded(numbers.value - origin[place])
    columns = (
        (old.count, np.ones(len(numbers))),
        (old.total, away),
        (old.square, away * away),
    )
    count, total, square = (
        np.bincount(group, np.concatenate(pair), len(index)).astype(np.float64) for pair in columns
    )
    return _Slices(index, count, origin, total, square), place


def _deviations(slices: _Slices, fewest: int) -> Floats:
    """Standard deviation over the complete slices before each; NaN: fewer values than that."""
    size = len(slices.index)
    count, total, square = np.zeros(size), np.zeros(size), np.zeros(size)
    reference = np.concatenate((slices.origin[:1], slices.origin[:-1]))
    for back in range(1, NOISE_SLICES + 1):
        here = np.arange(back, size)
        before = here - back
        is_near = slices.index[before] >= slices.index[here] - NOISE_SLICES
        here, before = here[is_near], before[is_near]
        shift = _bounded(slices.origin[before] - reference[here])
        n, s = slices.count[before], slices.total[before]
        count[here] += n
        total[here] += s + n * shift
        square[here] += slices.square[before] + 2.0 * shift * s + n * shift * shift
    known = count >= fewest
    n = np.where(known, count, 1.0)
    variance = (square - total * total / n) / n
    return np.where(known, np.sqrt(np.maximum(variance, 0.0)), np.nan)


def _bounded(away: Floats) -> Floats:
    # The square of a larger one overflows, and the memory must stay something JSON can hold.
    return np.clip(away, -_LARGEST, _LARGEST)


def _arrays(state: NoiseState | None) -> _Slices:
    if state is None:
        nothing = np.empty(0)
        return _Slices(np.empty(0, np.int64), nothing, nothing, nothing, nothing)
    return _Slices(
        np.array(state.index, np.int64),
        np.array(state.count, np.float64),
        np.array(state.origin, np.float64),
        np.array(state.total, np.float64),
        np.array(state.square, np.float64),
    )


def _state(slices: _Slices, width: int, since: int) -> NoiseState:
    """What later rows need: the slices within reach of the newest, and that one itself."""
    kept = slices.index >= slices.index[-1] - NOISE_SLICES
    return NoiseState(
        width,
        since,
        tuple(slices.index[kept].tolist()),
        tuple(int(n) for n in slices.count[kept]),
        tuple(slices.origin[kept].tolist()),
        tuple(slices.total[kept].tolist()),
        tuple(slices.square[kept].tolist()),
    )
