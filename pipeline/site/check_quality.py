"""
The limits of a point's quality tests: whole, with something to compare, and able to run.

A limit whose test could never run would leave every row not evaluated, and one inside what an
honest gauge does would make every row suspect: both are refused here.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Channel, Curve, Placement, Point
from pipeline.site.units import SEVERAL_ARMS

_FEWEST = 20
"""Intervals in the span of a standard deviation: of 20 values it is known to about 16 %."""
_SHORTED = 0.8
"""Loss of resistance at which the chain calls a gauge shorted."""


def check_noise_tests(lookup: Lookup) -> Iterator[Mistake]:
    """A span has a limit, a limit has its span, and enough values fall into the span."""
    for point in lookup.parts.points:
        one = point.item
        stated = [k for k in ("noise_low", "noise_high") if getattr(one, k) is not None]
        if one.noise_s is None:
            for key in stated:
                expected, remedy = "noise_s beside it", "State over which span, in seconds."
                yield point.mistake(key, f"{getattr(one, key):g} without noise_s", expected, remedy)
            continue
        if not stated:
            remedy = "State one of them, or leave noise_s empty."
            expected = "noise_low or noise_high beside it"
            yield point.mistake("noise_s", f"{one.noise_s:g} without a limit", expected, remedy)
        for channel in _channels(lookup, one.id):
            shortest = _FEWEST * channel.interval_s
            if channel.interval_s > 0 and 0 < one.noise_s < shortest:
                found = f"{one.noise_s:g} s with a value every {channel.interval_s:g} s"
                expected = f"at least {_FEWEST} intervals, {shortest:g} s"
                yield point.mistake("noise_s", found, expected, "Make the span longer.")


def check_step_tests(lookup: Lookup) -> Iterator[Mistake]:
    """A gap is longer than an interval, and so is a jump of the clock."""
    for point in lookup.parts.points:
        one = point.item
        for channel in _channels(lookup, one.id):
            if one.gap_s is not None and 0 < one.gap_s <= channel.interval_s:
                found = f"{one.gap_s:g} s with a value every {channel.interval_s:g} s"
                remedy = "Make it longer, or leave it empty for 2.5 intervals."
                yield point.mistake("gap_s", found, "more than one interval", remedy)
        if one.clock_intervals is not None and 0 < one.clock_intervals <= 1:
            remedy = "Write a number above 1, for example 10."
            expected = "more than one interval"
            yield point.mistake("clock_intervals", f"{one.clock_intervals:g}", expected, remedy)


def check_strain_tests(lookup: Lookup) -> Iterator[Mistake]:
    """Leakage and companion tests stand at strain points whose gauges have what they need."""
    for point in lookup.parts.points:
        for key in ("leakage_drop", "companion_um_m"):
            if getattr(point.item, key) is not None and point.item.quantity != "strain":
                found, expected = f"it at a point of {point.item.quantity}", "a strain point"
                yield point.mistake(key, found, expected, "Leave it empty.")
        if point.item.quantity != "strain":
            continue
        for placement in lookup.present_at(point.item.id):
            if point.item.leakage_drop is not None:
                yield from _leakage(lookup, point, placement, point.item.leakage_drop)
            if point.item.companion_um_m is not None:
                yield from _companion(lookup, point, placement)


def check_drift(lookup: Lookup) -> Iterator[Mistake]:
    """
    No automatic correction of drift is asked for.

    Ref: trade: it would erase the settlement, creep or crack that the monitoring is for.
    """
    for point in lookup.parts.points:
        budget = point.item.drift_budget_um_m_per_month
        if budget is not None:
            remedy = (
                "Leave it empty. What is known of the gauge's own drift belongs into [ageing] and "
                "[[creep]] of its calibration, where it is taken off with its uncertainty; for the "
                "rest an engineer takes a zero with a reason (`spanwarden zero`)."
            )
            expected = "an empty cell: this release corrects no drift by itself"
            found = f"a budget of {budget:g} µm/m per month"
            yield point.mistake("drift_budget_um_m_per_month", found, expected, remedy)


def _channels(lookup: Lookup, point: str) -> list[Channel]:
    """Channels of the gauges that are at the point, once each."""
    found: dict[str, Channel] = {}
    for placement in lookup.present_at(point):
        channel = lookup.channel(placement.item, placement.item.channel)
        if channel is not None:
            found[channel.item.id] = channel.item
    return list(found.values())


def _leakage(
    lookup: Lookup, point: Located[Point], placement: Located[Placement], drop: float
) -> Iterator[Mistake]:
    one = placement.item
    if one.wiring in SEVERAL_ARMS:
        found = f'it for gauge "{one.serial}" with wiring {one.wiring}'
        remedy = "Leave it empty: the resistance of one of several arms is not seen."
        yield point.mistake("leakage_drop", found, "a gauge alone in its arm", remedy)
        return
    if drop >= _SHORTED:
        expected = f"less than {_SHORTED:g}: from there the gauge counts as shorted and fails"
        yield point.mistake("leakage_drop", f"{drop:g}", expected, "Write a smaller share.")
        return
    for calibration in lookup.in_force(one):
        curve = calibration.item.curve
        most = _largest_drop(curve) if curve is not None else 0.0
        if 0 < drop <= most:
            found = f'{drop:g}, which strain alone does to "{one.serial}" in its calibrated range'
            expected = f"more than {most:.3g}"
            remedy = "Write a share beyond what strain and climate together can do."
            yield point.mistake("leakage_drop", found, expected, remedy)


def _largest_drop(curve: Curve) -> float:
    """Largest loss of resistance -δ at the ends of the calibrated range; 0: cannot be told."""
    ends = np.array(curve.range_um_m) * 1e-6
    if curve.kind != "monotone":
        powers = ends[:, None] ** np.arange(1, len(curve.coefficients) + 1)
        return float(np.max(-(powers @ np.array(curve.coefficients))))
    if not curve.knots_delta or len(curve.knots_delta) != len(curve.knots_strain_um_m):
        return 0.0
    knots = np.array(curve.knots_strain_um_m) * 1e-6
    return float(np.max(-np.interp(ends, knots, curve.knots_delta)))


def _companion(
    lookup: Lookup, point: Located[Point], placement: Located[Placement]
) -> Iterator[Mistake]:
    one = placement.item
    if one.compensation != "companion":
        found = f'it for gauge "{one.serial}" with compensation {one.compensation}'
        remedy = "Leave it empty, or give the gauge its companion."
        yield point.mistake("companion_um_m", found, "a gauge with a companion", remedy)
        return
    beside = [p.item for p in lookup.parts.placements if p.item.serial == one.companion]
    calibrations = [c.item for p in beside for c in lookup.in_force(p)]
    needed = {"temperature_channel": "its companion's calibration"}
    if any(c.moisture for c in calibrations):
        needed["humidity_channel"] = "[moisture] of its companion's calibration"
    for calibration in {c.id: c for c in calibrations if c.temperature is None}.values():
        found = f'it, but "{calibration.id}" of the companion has no [temperature]'
        remedy = "Add [temperature] to the calibration, or leave companion_um_m empty."
        expected = "a calibration that says what the climate does to the companion"
        yield point.mistake("companion_um_m", found, expected, remedy)
    for key, reason in needed.items():
        if getattr(one, key) is None:
            expected = f"a channel, needed to compare with {reason}"
            remedy = f"Fill in {key}, or leave companion_um_m of its point empty."
            yield placement.mistake(key, "an empty cell", expected, remedy)
