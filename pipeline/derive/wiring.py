"""
From a channel's value to δ: the electrical arithmetic of every wiring, and the stage that runs it.

Open, short, a converter at its rail and arithmetic without a solution are electrical faults:
the only ones that fail a reading. Open and short go by the ratio of the arm's resistance to its
unstrained one, far outside what any strain does to a gauge.

Thermal EMF of the junctions adds to a DC output what no reading can tell from strain: what is
steady of it goes into the zero, what follows the temperature into A(T) only as far as the chamber
saw the same junctions. A logger that reverses its excitation removes it before it sends.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.blocks import TEST_BIT, Bools, Floats
from pipeline.derive.block import Block, Context
from pipeline.derive.gauges import Leads, Signal
from pipeline.derive.series import NOTHING, Joined, Series, joined_value
from pipeline.derive.state import GaugeState
from pipeline.derive.warming import warming_up
from pipeline.physics import arms, bridge, meter

OPEN_RATIO, SHORT_RATIO = 5.0, 0.2
"""Above and below these shares of its unstrained resistance a gauge is broken, not strained."""

QUARTER = ("quarter_2wire", "quarter_3wire")
HALF = ("half_bending", "half_poisson")
RESISTANCE = ("resistance_4wire", "resistance_2wire", "divider", "impedance")
"""Wirings whose reading is a resistance, or comes to one."""


def relative_change(
    value: Floats, signal: Signal, warmth: Floats | float = 0.0
) -> tuple[Floats, Floats]:
    """
    δ against R0, and the ratio of the arm's resistance to its unstrained one.

    Args:
        value: in the channel's unit, shape (n,); of an impedance 1/Re(Y).
        signal: of the placement.
        warmth: of two-wire leads above their reference [K].

    Returns:
        δ, NaN where it has no solution; ratio, infinite for an open and 0 for a shorted arm. Of
        several arms δ is that of arm 1, were the factor constant: see `physics.arms`.
    """
    if signal.wiring in RESISTANCE:
        return _resistance_change(value, signal, _series(signal, warmth))
    shown, unstrained = open_ratio(value, signal), float(open_ratio(signal.unstrained, signal))
    arm = bridge.arm_ratio(shown) / bridge.arm_ratio(unstrained)
    ratio = np.where(shown >= 0.5, np.inf, np.where(shown <= -0.5, 0.0, arm))
    if signal.wiring in QUARTER:
        change = _gauge_ratio(arm, signal, _series(signal, warmth)) * signal.reduction - 1.0
        return change, ratio
    r = shown - unstrained
    if signal.wiring in HALF:
        r = bridge.half_bridge_output(shown, unstrained)
    delta = arms.equivalent_delta(r, signal.wiring, signal.poisson)
    return delta * (1.0 + lead_share(signal)), ratio


def lead_share(signal: Signal) -> float:
    """Resistance of the leads in an arm over that of the gauge."""
    return 0.0 if signal.nominal_ohm is None else signal.series_ohm / signal.nominal_ohm


def open_ratio(value: npt.ArrayLike, signal: Signal) -> Floats:
    """Output [V/V] that a bridge would show to a meter of infinite input resistance."""
    if signal.meter_ohm is None or signal.nominal_ohm is None:
        return np.asarray(value, np.float64)
    arm = signal.nominal_ohm + signal.series_ohm
    return meter.open_output(value, arm, signal.meter_ohm, one_arm=signal.wiring in QUARTER)


def arm_resistance(value: npt.ArrayLike, signal: Signal) -> Floats:
    """Resistance behind the terminals of a resistance wiring, leads included; infinite: open."""
    shown = np.asarray(value, np.float64)
    if signal.wiring == "divider":
        shown = meter.divider_resistance(shown, signal.reference_ohm or np.nan)
    if signal.meter_ohm is None:
        return shown
    below = ~(shown >= signal.meter_ohm)
    rest = np.where(below, signal.meter_ohm - shown, 1.0)
    return np.where(below, shown * (signal.meter_ohm / rest), np.inf)


def heard_series(joined: Joined, channel: str, signal: Signal) -> Series:
    """
    Values of a channel as `relative_change` takes them.

    Of an impedance 1/Re(Y), NaN where its other part is missing or at a rail.
    """
    series, beside = joined.get(channel, NOTHING), signal.imaginary
    if beside is None:
        return series
    real, imaginary = series.value, joined_value(joined, beside.channel, series.time, 0)
    at_rail = (real >= signal.rail_high) | (real <= signal.rail_low)
    at_rail |= (imaginary >= beside.rail_high) | (imaginary <= beside.rail_low)
    value = meter.parallel_resistance(real, imaginary)
    return Series(series.time, np.where(at_rail, np.nan, value))


def electrical_faults(value: Floats, ratio: Floats, signal: Signal) -> dict[str, Bools]:
    """Which rows are open, shorted or at the converter's rail, by name of the test."""
    return {
        "open_circuit": ratio > OPEN_RATIO,
        "short_circuit": ratio < SHORT_RATIO,
        "converter_rail": (value >= signal.rail_high) | (value <= signal.rail_low),
    }


def change_at(
    value: Floats, signal: Signal, block: Block, joined: Joined, age_us: int
) -> tuple[Floats, Floats | None, Floats]:
    """
    δ at the rows of a block, with what has to be joined for it.

    Args:
        value: in the channel's unit, shape (n,); of an impedance 1/Re(Y).
        signal: of the placement that sent it.
        block: whose times count.
        joined: values by channel.
        age_us: longest age of the leads' temperature.

    Returns:
        δ, NaN where it has no solution; the leads' temperature, NaN where it is missing (δ is then
        as if they were at their reference), None where no channel tells it; the ratio of
        `relative_change`.
    """
    leads = signal.leads
    if leads is None or leads.channel is None:
        delta, ratio = relative_change(value, signal)
        return delta, None, ratio
    temperature = joined_value(joined, leads.channel, block.time, age_us)
    warmth = np.where(np.isnan(temperature), 0.0, temperature - leads.reference_c)
    delta, ratio = relative_change(value, signal, warmth)
    return delta, temperature, ratio


def stage_signal(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `delta`: the relative resistance change, NaN where the reading fails; for two-wire leads
    `lead_variance` of δ and, where a channel tells it, `lead_temperature` [°C]; for an impedance
    `parallel_ohm`, 1/Re(Y).

    Sets `warm_up` after a gap where the placement states a warm-up, and `uncompensated` where a
    named temperature of the leads is missing.
    """
    signal, joined = context.signal, context.joined
    tests, state = warming_up(block, state, context)
    value = block["reading"]
    columns: dict[str, Floats] = {}
    if signal.imaginary is not None:
        beside = joined_value(joined, signal.imaginary.channel, block.time, 0)
        rails = (beside >= signal.imaginary.rail_high) | (beside <= signal.imaginary.rail_low)
        tests[rails] |= TEST_BIT["converter_rail"]
        value = columns["parallel_ohm"] = meter.parallel_resistance(value, beside)
    age_us = context.segment.joins.age_us
    delta, leads_c, ratio = change_at(value, signal, block, joined, age_us)
    for name, rows in electrical_faults(block["reading"], ratio, signal).items():
        tests[rows] |= TEST_BIT[name]
    tests[(tests & context.failing == 0) & ~np.isfinite(delta)] |= TEST_BIT["not_a_number"]
    columns["delta"] = np.where(tests & context.failing != 0, np.nan, delta)
    if leads_c is not None:
        columns["lead_temperature"] = leads_c
        tests[np.isnan(leads_c)] |= TEST_BIT["uncompensated"]
    if signal.leads is not None:
        unknown = np.zeros(len(block), bool) if leads_c is None else np.isnan(leads_c)
        span = context.strain.thermal.range_c
        columns["lead_variance"] = _lead_variance(signal.leads, unknown, span)
    return block.adding(columns, tests), state


def stage_linear(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """Adds `value` and `u` of a linear sensor: scale·(reading - unstrained)."""
    model = context.linear
    reading = block["reading"]
    tests, state = warming_up(block, state, context)
    tests[(reading >= model.rail_high) | (reading <= model.rail_low)] |= TEST_BIT["converter_rail"]
    tests[~np.isfinite(reading)] |= TEST_BIT["not_a_number"]
    if context.segment.is_expired:
        tests |= TEST_BIT["calibration_expired"]
    fails = tests & context.failing != 0
    above = np.where(fails, np.nan, reading - model.unstrained)
    u = np.hypot(model.scale_u * above, model.scale * model.unstrained_u)
    return block.with_columns(tests=tests, value=model.scale * above, u=u), state


def _series(signal: Signal, warmth: Floats | float) -> Floats | float:
    """Leads in the gauge's arm [Ω], as warm as they are."""
    if signal.leads is None:
        return signal.series_ohm
    return signal.series_ohm + signal.leads.ohm * bridge.COPPER_PER_K * warmth


def _resistance_change(
    value: Floats, signal: Signal, series: Floats | float
) -> tuple[Floats, Floats]:
    shown, unstrained = arm_resistance(value, signal), arm_resistance([signal.unstrained], signal)
    ratio = np.maximum(shown - series, 0.0) / (unstrained - signal.series_ohm)
    gauge = bridge.gauge_resistance(shown, series, signal.leakage_ohm)
    rest = bridge.gauge_resistance(unstrained, signal.series_ohm, signal.leakage_ohm)
    return gauge / rest * signal.reduction - 1.0, ratio


def _gauge_ratio(arm: Floats, signal: Signal, series: Floats | float) -> Floats:
    """R/R_unstrained of the gauge from that of its arm: leads and leakage taken off."""
    if signal.nominal_ohm is None or not (signal.series_ohm or signal.leakage_ohm):
        return arm
    rest = bridge.arm_resistance(signal.nominal_ohm, signal.series_ohm, signal.leakage_ohm)
    gauge = bridge.gauge_resistance(arm * rest, series, signal.leakage_ohm)
    return gauge / signal.nominal_ohm


def _lead_variance(leads: Leads, unknown: Bools, span: tuple[float, float]) -> Floats:
    """Of δ; where a named temperature is missing, leads may be anywhere in the chamber's range."""
    known = (leads.delta_per_k * leads.temperature_u) ** 2
    widest = max(abs(end - leads.reference_c) for end in span)
    return np.where(unknown, (leads.delta_per_k * widest) ** 2 / 3.0, known)
