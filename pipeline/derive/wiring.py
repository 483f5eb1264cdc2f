"""
Electrical figures of a placement: what is compiled of them, and the stage from value to δ.

Open, short, a converter at its rail and arithmetic without a solution are electrical faults:
the only ones that fail a reading. Open and short go by the ratio of the arm's resistance to its
unstrained one, far outside what any strain does to a gauge.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.blocks import TEST_BIT, Bools, Floats
from pipeline.derive.block import Block, Context
from pipeline.derive.gauges import Signal
from pipeline.derive.state import GaugeState
from pipeline.errors import ConfigError, Mistake
from pipeline.physics import bridge
from pipeline.site.models import Channel, Placement

OPEN_RATIO, SHORT_RATIO = 5.0, 0.2
"""Above and below these shares of its unstrained resistance a gauge is broken, not strained."""

QUARTER = ("quarter_2wire", "quarter_3wire")
RESISTANCE = ("resistance_4wire", "resistance_2wire")

_LEADS = {"quarter_2wire": 2.0, "quarter_3wire": 1.0, "resistance_2wire": 2.0}
_SEVERAL: dict[str, Callable[[Floats, float], Floats]] = {
    "half_bending": lambda r, _: bridge.half_bending_delta(r),
    "half_poisson": bridge.half_poisson_delta,
    "full_bending": lambda r, _: bridge.full_bending_delta(r),
    "full_poisson_bending": bridge.full_poisson_bending_delta,
    "full_poisson_axial": bridge.full_poisson_axial_delta,
}


def has_several_arms(wiring: str) -> bool:
    """Whether several arms are active: the climate is common to them and cancels."""
    return wiring in _SEVERAL


def mistake(placement: Placement, found: str, expected: str, remedy: str) -> ConfigError:
    """One thing about a placement that the chain cannot work with."""
    place = f'gauge "{placement.serial}" at point "{placement.point}"'
    return ConfigError((Mistake("gauges.csv", place, found, expected, remedy),))


def signal_of(placement: Placement, channel: Channel, reduction: float) -> Signal:
    """
    The compiled signal path of one placement.

    Raises:
        ConfigError: a figure is missing, or one is given that the wiring cannot use.
    """
    unstrained = placement.unstrained
    if unstrained is None:
        raise mistake(placement, "no unstrained value", "the value at commissioning", "Fill it in.")
    _check_figures(placement)
    series = _LEADS.get(placement.wiring, 0.0) * placement.lead_ohm
    return Signal(
        wiring=placement.wiring,
        unstrained=unstrained,
        unstrained_u=_unstrained_u(placement, unstrained, series),
        reduction=reduction,
        series_ohm=series,
        nominal_ohm=placement.nominal_ohm,
        leakage_ohm=placement.leakage_ohm,
        poisson=placement.poisson or 0.0,
        rail_low=float("-inf") if channel.rail_low is None else channel.rail_low,
        rail_high=float("inf") if channel.rail_high is None else channel.rail_high,
    )


def _check_figures(placement: Placement) -> None:
    wiring, loaded = placement.wiring, bool(placement.lead_ohm or placement.leakage_ohm)
    if has_several_arms(wiring) and loaded:
        raise mistake(
            placement,
            f"lead_ohm or leakage_ohm with wiring {wiring}",
            "neither",
            "Leave them empty: they can be taken off one active arm only.",
        )
    if wiring in QUARTER and loaded and placement.nominal_ohm is None:
        raise mistake(
            placement,
            "lead_ohm or leakage_ohm without nominal_ohm",
            "the gauge's resistance",
            "Fill in nominal_ohm.",
        )
    if "poisson" in wiring and placement.poisson is None:
        raise mistake(
            placement, f"wiring {wiring} without poisson", "Poisson's ratio", "Fill it in."
        )
    reference = np.array([placement.unstrained])
    series = _LEADS.get(wiring, 0.0) * placement.lead_ohm
    if wiring in RESISTANCE:
        possible = bridge.gauge_resistance(reference, series, placement.leakage_ohm)
    else:
        possible = bridge.arm_ratio(reference)
    if np.isnan(possible[0]):
        raise mistake(
            placement,
            f"unstrained {placement.unstrained:g}",
            "a value that a whole gauge can give",
            "Write the ratio in V/V or the resistance in Ohm.",
        )


def _unstrained_u(placement: Placement, unstrained: float, series: float) -> float:
    """Standard uncertainty of δ: the slope dδ/d(value) at the unstrained value times its u."""
    u, wiring = placement.unstrained_u, placement.wiring
    if wiring in RESISTANCE:
        return u / (unstrained - series)
    if wiring in QUARTER:
        # d ln x/de of x = (½ + e)/(½ - e), over the share of the gauge in its arm
        share = 1.0 if not series else 1.0 + series / (placement.nominal_ohm or 1.0)
        return u * share / (0.25 - unstrained**2)
    small = np.array([1e-9])
    slope = float(_SEVERAL[wiring](small, placement.poisson or 0.0)[0]) / 1e-9
    return u * slope


def relative_change(value: Floats, signal: Signal) -> tuple[Floats, Floats]:
    """
    δ against R0, and the ratio of the arm's resistance to its unstrained one.

    Args:
        value: in the channel's unit, shape (n,).
        signal: of the placement.

    Returns:
        δ, NaN where it has no solution; ratio, infinite for an open and 0 for a shorted arm.
    """
    if signal.wiring in RESISTANCE:
        shown, unstrained = value, signal.unstrained
        reference = np.array([signal.unstrained])
        ratio = np.maximum(value - signal.series_ohm, 0.0) / (unstrained - signal.series_ohm)
        gauge = bridge.gauge_resistance(shown, signal.series_ohm, signal.leakage_ohm)
        rest = bridge.gauge_resistance(reference, signal.series_ohm, signal.leakage_ohm)
        return gauge / rest * signal.reduction - 1.0, ratio
    arm = bridge.arm_ratio(value) / bridge.arm_ratio(signal.unstrained)
    ratio = np.where(value >= 0.5, np.inf, np.where(value <= -0.5, 0.0, arm))
    if signal.wiring in QUARTER:
        return _gauge_ratio(arm, signal) * signal.reduction - 1.0, ratio
    return _SEVERAL[signal.wiring](value - signal.unstrained, signal.poisson), ratio


def _gauge_ratio(arm: Floats, signal: Signal) -> Floats:
    """R/R_unstrained of the gauge from that of its arm: leads and leakage taken off."""
    if signal.nominal_ohm is None or not (signal.series_ohm or signal.leakage_ohm):
        return arm
    rest = bridge.arm_resistance(signal.nominal_ohm, signal.series_ohm, signal.leakage_ohm)
    gauge = bridge.gauge_resistance(arm * rest, signal.series_ohm, signal.leakage_ohm)
    return gauge / signal.nominal_ohm


def electrical_faults(value: Floats, ratio: Floats, signal: Signal) -> dict[str, Bools]:
    """Which rows are open, shorted or at the converter's rail, by name of the test."""
    return {
        "open_circuit": ratio > OPEN_RATIO,
        "short_circuit": ratio < SHORT_RATIO,
        "converter_rail": (value >= signal.rail_high) | (value <= signal.rail_low),
    }


def stage_signal(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """Adds `delta`: the relative resistance change, NaN where the reading fails."""
    signal = context.signal
    value = block["reading"]
    delta, ratio = relative_change(value, signal)
    tests = block.tests.copy()
    for name, rows in electrical_faults(value, ratio, signal).items():
        tests[rows] |= TEST_BIT[name]
    tests[(tests == 0) & ~np.isfinite(delta)] |= TEST_BIT["not_a_number"]
    delta = np.where(tests & context.failing != 0, np.nan, delta)
    return block.with_columns(tests=tests, delta=delta), state


def stage_linear(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """Adds `value` and `u` of a linear sensor: scale·(reading - unstrained)."""
    model = context.linear
    reading = block["reading"]
    tests = block.tests.copy()
    tests[(reading >= model.rail_high) | (reading <= model.rail_low)] |= TEST_BIT["converter_rail"]
    tests[~np.isfinite(reading)] |= TEST_BIT["not_a_number"]
    if context.segment.is_expired:
        tests |= TEST_BIT["calibration_expired"]
    fails = tests & context.failing != 0
    above = np.where(fails, np.nan, reading - model.unstrained)
    u = np.hypot(model.scale_u * above, model.scale * model.unstrained_u)
    return block.with_columns(tests=tests, value=model.scale * above, u=u), state
