"""
What each quality test says of a row in words: the observed value, its limit and what it means.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.derive.block import Block
from pipeline.derive.gauges import Gauge, Limits, Segment
from pipeline.derive.limits import NOISE_SLICES
from pipeline.derive.moisture import settled_u
from pipeline.derive.outcome import observed_column
from pipeline.derive.wiring import OPEN_RATIO, SHORT_RATIO, relative_change

_MICRO = 1e6


@dataclass(frozen=True, eq=False)
class Row:
    """One row with what was compared on it."""

    gauge: Gauge
    segment: Segment
    block: Block
    row: int

    @property
    def limits(self) -> Limits:
        """Of the gauge's point."""
        return self.gauge.limits

    def number(self, column: str) -> float:
        """A column of the block at the row; NaN where there is none."""
        values = self.block.columns.get(column)
        return float("nan") if values is None else float(values[self.row])

    def observed(self, test: str) -> float:
        """What a test compared; NaN where there was nothing to compare."""
        return self.number(observed_column(test))


@dataclass(frozen=True)
class Words:
    """A sentence and the numbers in it."""

    sentence: str
    observed: float | None = None
    limit: tuple[float, ...] = ()
    unit: str = ""


def sentence_of(test: str, row: Row) -> Words:
    """What a failed test says of the row; every name of `blocks.TESTS` has its words."""
    return _FAILED[test](row)


def shown(value: float) -> str:
    """A number as a person reads it."""
    return "an unknown value" if np.isnan(value) else f"{value:.6g}"


def seconds(us: int | None) -> str:
    """A span in µs as a number of seconds."""
    return shown(float("nan") if us is None else us * 1e-6)


def _arm(row: Row, word: str, ratio_limit: float, meaning: str) -> Words:
    reading, signal = row.number("reading"), row.segment.signal
    if signal is not None and signal.imaginary is not None:
        reading = row.number("parallel_ohm")
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = (
            float("nan")
            if signal is None
            else float(relative_change(np.array([reading]), signal)[1][0])
        )
    text = (
        f"The reading {shown(reading)} means {shown(ratio)} times the unstrained resistance; "
        f"{word} {ratio_limit:g} {meaning}."
    )
    return Words(text, ratio, (ratio_limit,), "1")


def _not_a_number(row: Row) -> Words:
    text = f"No resistance of the gauge gives the reading {shown(row.number('reading'))}."
    return Words(text, row.number("reading"))


def _converter_rail(row: Row) -> Words:
    model = row.segment.signal or row.segment.linear
    ends = () if model is None else (model.rail_low, model.rail_high)
    reading = row.number("reading")
    text = (
        f"The reading {shown(reading)} stands at or beyond an end of the converter "
        f"({' to '.join(shown(end) for end in ends)})."
    )
    return Words(text, reading, ends)


def _gross_range(row: Row) -> Words:
    limits, value = row.limits, row.number("value")
    low = float("-inf") if limits.gross_low is None else limits.gross_low
    high = float("inf") if limits.gross_high is None else limits.gross_high
    text = f"The value {shown(value)} {limits.unit} lies outside {low:g} to {high:g} {limits.unit}."
    return Words(text, value, (low, high), limits.unit)


def _against(row: Row, test: str, limit: float | None, per: str, text: str) -> Words:
    """Words with the observed value for `{}` and `the limit is …` at the end."""
    observed, unit = row.observed(test), f"{row.limits.unit}{per}"
    stated = () if limit is None else (limit,)
    ending = shown(float("nan") if limit is None else limit)
    sentence = f"{text.format(f'{shown(observed)} {unit}')}; the limit is {ending} {unit}."
    return Words(sentence, observed, stated, unit)


def _rate(row: Row) -> Words:
    text = "The value changed by {} since the one before"
    return _against(row, "rate_of_change", row.limits.rate_per_s, "/s", text)


def _spike(row: Row) -> Words:
    text = "The value before this one stood {} from the mean of the two beside it"
    return _against(row, "spike", row.limits.spike, "", text)


def _noise(row: Row) -> Words:
    text = (
        f"The standard deviation over the {noise_span(row)} s before was {{}}: the gauge is noisy"
    )
    return _against(row, "noise", row.limits.noise_high, "", text)


def _attenuated(row: Row) -> Words:
    text = (
        f"The standard deviation over the {noise_span(row)} s before was only {{}}: the signal is "
        "attenuated"
    )
    return _against(row, "attenuated", row.limits.noise_low, "", text)


def noise_span(row: Row) -> str:
    """The whole span of the noise test [s]."""
    width = row.limits.slice_us
    return seconds(None if width is None else NOISE_SLICES * width)


def _flat_line(row: Row) -> Words:
    limits = row.limits
    text = (
        f"All values of the last {seconds(limits.flat_us)} s lie within "
        f"{limits.flat_tolerance:g} {limits.unit}: gauge or logger may be stuck."
    )
    return Words(text, None, (limits.flat_tolerance,), limits.unit)


def _gap(row: Row) -> Words:
    step, limit = row.observed("gap"), row.limits.gap_us * 1e-6
    text = f"The reading before came {shown(step)} s earlier; more than {shown(limit)} s is a gap."
    return Words(text, step, (limit,), "s")


def _clock(row: Row) -> Words:
    change, limit = row.observed("clock"), row.limits.clock_us
    if change < 0.0:
        text = (
            f"Its sequence number is {shown(-change)} lower than that of the reading before it in "
            "time: the node's clock stepped back, or the node began to count anew."
        )
        return Words(text, change, (0.0,), "1")
    step = row.observed("gap")
    text = (
        f"It comes {shown(step)} s after the reading before, though the sequence goes on by "
        f"{shown(change)}; the limit is {seconds(limit)} s: the node's clock jumped, or the node "
        "stood still."
    )
    return Words(text, step, () if limit is None else (limit * 1e-6,), "s")


def _beyond_range(row: Row) -> Words:
    strain = row.number("strain") * _MICRO
    model = row.segment.strain
    ends = () if model is None else (model.curve.lo * _MICRO, model.curve.hi * _MICRO)
    text = (
        f"The strain {shown(strain)} µm/m lies outside the calibrated range "
        f"({' to '.join(shown(end) for end in ends)} µm/m): the end tangent was used."
    )
    return Words(text, strain, ends, "µm/m")


def _uncompensated(row: Row) -> Words:
    joins = row.segment.joins
    age = joins.age_us * 1e-6
    signal = row.segment.signal
    leads = None if signal is None or signal.leads is None else signal.leads.channel
    names = {"temperature": joins.temperature, "humidity": joins.humidity}
    names |= {"lead_temperature": leads}
    missing = [
        f"{what.replace('_', ' ')} ({channel})"
        for what, channel in names.items()
        if channel is not None and np.isnan(row.number(what))
    ]
    what = " and ".join(missing) or "humidity at the film's surface"
    does = "the correction goes on from the last one, less and less certain"
    if np.isnan(row.number("film_moisture")) or np.isnan(row.number("temperature")):
        does = "its correction is left out"
    text = f"No {what} was known that is not older than {shown(age)} s: {does}."
    return Words(text, None, (age,), "s")


def _companion_missing(row: Row) -> Words:
    model, age = row.segment.strain, row.segment.joins.age_us * 1e-6
    companion = None if model is None else model.companion
    if companion is None:
        return Words("The companion is not installed at this time: it is not taken off.")
    text = (
        f"The companion ({companion.channel}) had no usable value in the last {shown(age)} s: it "
        "is not taken off."
    )
    return Words(text, None, (age,), "s")


def _companion_disagrees(row: Row) -> Words:
    apart = row.observed("companion_disagrees") * _MICRO
    limit = (row.limits.companion or 0.0) * _MICRO
    text = (
        f"The companion stands {shown(apart)} µm/m from what its calibration expects of the "
        f"climate; the limit is {shown(limit)} µm/m."
    )
    return Words(text, apart, (limit,), "µm/m")


def _condensation(row: Row) -> Words:
    text = (
        f"Humidity at the film's surface reached 100 %RH (air {shown(row.number('humidity'))} %RH, "
        f"surface {shown(row.number('temperature'))} °C): water condenses."
    )
    return Words(text, None, (100.0,), "%RH")


def _warm_up(row: Row) -> Words:
    model, u = row.segment.strain, row.number("film_moisture_u") * 100.0
    film, warm = None if model is None else model.film, row.segment.warm_up_us
    if warm and (film is None or u <= settled_u(film) * 100.0):
        text = f"The readings had a gap less than {seconds(warm)} s ago: the excitation still warms"
        return Words(f"{text} the gauge.", None, (warm * 1e-6,), "s")
    if film is None or np.isnan(u):
        return Words("No humidity has come yet: the film's moisture is not known.")
    limit = settled_u(film) * 100.0
    text = (
        f"The film's moisture is known to {shown(u)} %RH only since the start; it counts as "
        f"settled below {shown(limit)} %RH."
    )
    return Words(text, u, (limit,), "%RH")


def _leakage(row: Row) -> Words:
    drop, limit = row.observed("leakage"), row.limits.leakage_drop or 0.0
    beside = (1.0 - drop) / drop if drop > 0.0 else float("nan")
    text = (
        f"The gauge shows {shown(drop * 100.0)} % less than its unstrained resistance; the limit "
        f"is {shown(limit * 100.0)} %. An insulation of {shown(beside)} times its resistance "
        "beside it would do that."
    )
    return Words(text, drop, (limit,), "1")


def _plain(text: str) -> Callable[[Row], Words]:
    return lambda row: Words(text)


_FAILED: dict[str, Callable[[Row], Words]] = {
    "not_a_number": _not_a_number,
    "open_circuit": lambda row: _arm(row, "above", OPEN_RATIO, "the gauge is open, not strained"),
    "short_circuit": lambda row: _arm(
        row, "below", SHORT_RATIO, "the gauge is shorted, not strained"
    ),
    "converter_rail": _converter_rail,
    "gross_range": _gross_range,
    "spike": _spike,
    "rate_of_change": _rate,
    "flat_line": _flat_line,
    "gap": _gap,
    "beyond_range": _beyond_range,
    "uncompensated": _uncompensated,
    "companion_missing": _companion_missing,
    "contradiction": _plain("Another value came for the same channel and time."),
    "clock": _clock,
    "condensation": _condensation,
    "relative_only": _plain(
        "No zero was taken yet: the value counts from the unstrained value alone."
    ),
    "calibration_expired": _plain("The calibration is used outside its dates."),
    "warm_up": _warm_up,
    "late": _plain(
        "The reading came after newer ones of its channel; the seal judges it in its place."
    ),
    "companion_disagrees": _companion_disagrees,
    "noise": _noise,
    "neighbour": _plain("The section fitted through the point and its neighbours is not plane."),
    "leakage": _leakage,
    "attenuated": _attenuated,
    "shunt": _plain(
        "No whole gauge was read shortly before the shunt check: it could not be made."
    ),
}
