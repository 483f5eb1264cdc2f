"""
From the instrument's value to δ for one reading, step by step, for a person to read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.derive.gauges import Signal
from pipeline.derive.moment import Moment
from pipeline.derive.wiring import (
    QUARTER,
    RESISTANCE,
    arm_resistance,
    lead_share,
    open_ratio,
)
from pipeline.physics import bridge, meter


@dataclass(frozen=True)
class Quantity:
    """One value of the chain."""

    key: str
    label: str
    value: float | int | str | None
    """None: there is none; the note says why."""
    unit: str
    note: str = ""


def signal_quantities(moment: Moment) -> tuple[Quantity, ...]:
    """Of a strain gauge: what the instrument showed, leads and leakage, R0, δ."""
    signal, value = moment.segment.signal, moment.column("reading")
    if signal is None:
        raise ValueError("a strain segment has a signal path")
    if signal.wiring in RESISTANCE:
        steps = _resistance(moment, signal, value)
    elif signal.wiring in QUARTER:
        steps = _quarter(moment, signal, value)
    else:
        steps = _several(signal, value)
    delta = moment.column("delta")
    note = "" if delta is not None else "the reading is an electrical fault"
    return (*steps, Quantity("delta", "δ = ΔR/R0", delta, "", note))


def linear_quantities(moment: Moment) -> tuple[Quantity, ...]:
    """Of a linear sensor: value = scale·(reading - unstrained)."""
    model = moment.segment.linear
    if model is None:
        raise ValueError("a linear segment has a scale")
    return (
        Quantity("unstrained", "reading at rest", model.unstrained, "", ""),
        Quantity("scale", "scale", model.scale, "", "value = scale·(reading - at rest)"),
        Quantity("value", "value", moment.row["value"], "", ""),
    )


def _resistance(moment: Moment, signal: Signal, value: float | None) -> list[Quantity]:
    steps, shown = _terminals(moment, signal, value)
    rest = float(arm_resistance(signal.unstrained, signal))
    reference = _gauge(rest, signal.series_ohm, signal.leakage_ohm)
    path, series = _path(moment, signal)
    steps += path
    if shown is not None:
        gauge = _gauge(shown, series, signal.leakage_ohm)
        steps.append(_number("gauge_ohm", "gauge without leads and leakage", gauge, "Ohm"))
    unit = "V/V" if signal.wiring == "divider" else "Ohm"
    return [
        *steps,
        Quantity("unstrained", "unstrained value, as shown", signal.unstrained, unit),
        _number("unstrained_gauge_ohm", "the same without leads and leakage", reference, "Ohm"),
        _reduction(signal),
        _number("r0_ohm", "R0, at reference climate", reference / signal.reduction, "Ohm"),
    ]


def _terminals(
    moment: Moment, signal: Signal, value: float | None
) -> tuple[list[Quantity], float | None]:
    """From what was read to the resistance behind the terminals [Ω]."""
    steps: list[Quantity] = []
    if value is None:
        return steps, None
    if signal.imaginary is not None:
        beside = moment.sample(signal.imaginary.channel)
        other = None if beside is None or beside.age_s > 0.0 else beside.value
        steps.append(Quantity("im_ohm", "Im(Z) beside it", other, "Ohm", signal.imaginary.channel))
        if other is None:
            return steps, None
        value = float(meter.parallel_resistance(value, other))
        steps.append(_number("parallel_ohm", "1/Re(Y)", value, "Ohm"))
    if signal.reference_ohm is not None:
        steps.append(
            Quantity("divider_ohm", "resistor of the divider", signal.reference_ohm, "Ohm")
        )
    if signal.meter_ohm is not None:
        steps.append(_meter(signal.meter_ohm))
    shown = float(arm_resistance(value, signal))
    if signal.reference_ohm is not None or signal.meter_ohm is not None:
        steps.append(_number("terminals_ohm", "resistance behind the terminals", shown, "Ohm"))
    return steps, shown


def _gauge(shown: float, series: float, leakage: float | None) -> float:
    return float(bridge.gauge_resistance(np.array([shown]), series, leakage)[0])


def _quarter(moment: Moment, signal: Signal, value: float | None) -> list[Quantity]:
    at_rest = float(bridge.arm_ratio(open_ratio(signal.unstrained, signal)))
    steps = [] if signal.meter_ohm is None else [_meter(signal.meter_ohm)]
    form, arm = "x = (½ + e)/(½ - e)", np.nan
    if value is not None:
        arm = float(bridge.arm_ratio(open_ratio(value, signal)))
        steps.append(_number("arm_ratio", "ratio of the arms, x", arm, "", form))
    steps += [
        Quantity("unstrained", "unstrained value, as shown", signal.unstrained, "V/V"),
        _number("unstrained_arm_ratio", "ratio of the arms then, x0", at_rest, ""),
    ]
    if value is not None:
        change = arm / at_rest - 1.0
        steps.append(_number("arm_delta", "change of the arm, x/x0 - 1", change, ""))
    steps += _path(moment, signal)[0]
    if signal.nominal_ohm is not None:
        steps.append(Quantity("nominal_ohm", "gauge, nominal", signal.nominal_ohm, "Ohm"))
    return [*steps, _reduction(signal)]


def _several(signal: Signal, value: float | None) -> list[Quantity]:
    steps = [Quantity("unstrained", "unstrained value, as shown", signal.unstrained, "V/V")]
    if signal.meter_ohm is not None:
        steps.append(_meter(signal.meter_ohm))
    if value is not None:
        change = float(open_ratio(value, signal) - open_ratio(signal.unstrained, signal))
        note = f"arms of {signal.wiring}"
        steps.append(_number("change", "change of the output, r", change, "V/V", note))
    share = lead_share(signal)
    if share:
        steps.append(_number("lead_share", "leads of an arm over the gauge", share, ""))
    return steps


def _path(moment: Moment, signal: Signal) -> tuple[list[Quantity], float]:
    """Leads and leakage, and the leads as warm as they are [Ω]."""
    series, note = signal.series_ohm, ""
    if signal.leads is not None:
        sample = moment.sample(signal.leads.channel)
        limit_s = moment.segment.joins.age_us * 1e-6
        note = "their temperature is not known: in the uncertainty"
        if sample is not None and sample.age_s <= limit_s:
            warmth = sample.value - signal.leads.reference_c
            series += signal.leads.ohm * bridge.COPPER_PER_K * warmth
            note = f"copper, {warmth:+.2f} K since commissioning ({sample.channel})"
    leads = Quantity("leads_ohm", "leads in the gauge's arm", series, "Ohm", note)
    leakage, label = signal.leakage_ohm, "leakage beside the gauge"
    beside = Quantity("leakage_ohm", label, leakage, "Ohm", "none" if leakage is None else "")
    return [leads, beside], series


def _meter(resistance: float) -> Quantity:
    return Quantity("meter_ohm", "input resistance of the instrument", resistance, "Ohm")


def _reduction(signal: Signal) -> Quantity:
    note = "1 + A(T) + H(w) at the climate of the unstrained value"
    return Quantity("reduction", "R_unstrained/R0", signal.reduction, "", note)


def _number(key: str, label: str, value: float, unit: str, note: str = "") -> Quantity:
    known = bool(np.isfinite(value))
    return Quantity(key, label, float(value) if known else None, unit, note if known else "none")
