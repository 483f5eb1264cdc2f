"""
Compiles the electrical figures of a placement into the signal path that the chain works with.

Two-wire copper leads warm and cool. Where a channel tells their temperature, 2·R_L·0.00393·ΔT is
taken off; where none does, it is in the uncertainty, with leads that may be anywhere outdoors.
With three wires, and in a half bridge, a lead lies in each of two adjacent arms, and it cancels.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.derive.gauges import Imaginary, Leads, Signal
from pipeline.derive.wiring import (
    HALF,
    QUARTER,
    RESISTANCE,
    arm_resistance,
    lead_share,
    open_ratio,
)
from pipeline.errors import ConfigError, Mistake
from pipeline.physics import bridge
from pipeline.physics.arms import SEVERAL, equivalent_delta
from pipeline.site.models import Channel, Placement

TWO_WIRE = ("quarter_2wire", "resistance_2wire", "divider")
_LEADS = {
    **dict.fromkeys(TWO_WIRE, 2.0),
    **dict.fromkeys(("quarter_3wire", *HALF), 1.0),
}
"""How many leads lie in series with a gauge, by wiring; others: none, or not known."""
_LEAKS = (*QUARTER, *RESISTANCE)

OUTDOORS_U_K = 20.0
"""Leads of unknown temperature: anywhere within 35 K of that at commissioning, as a rectangular
distribution."""
ALONG_LEADS_U_K = 2.0
"""One thermometer for the whole length of the leads, where nothing better is stated."""


def has_several_arms(wiring: str) -> bool:
    """Whether several arms are active: the climate is common to them and cancels."""
    return wiring in SEVERAL


def mistake(placement: Placement, found: str, expected: str, remedy: str) -> ConfigError:
    """One thing about a placement that the chain cannot work with."""
    place = f'gauge "{placement.serial}" at point "{placement.point}"'
    return ConfigError((Mistake("gauges.csv", place, found, expected, remedy),))


def signal_of(
    placement: Placement, channel: Channel, reduction: float, imaginary: Channel | None = None
) -> Signal:
    """
    The compiled signal path of one placement.

    Args:
        placement: with its unstrained value as the instrument showed it.
        channel: of the reading; of an impedance that of Re(Z).
        reduction: R_unstrained/R0.
        imaginary: the channel of Im(Z), of an impedance.

    Raises:
        ConfigError: a figure is missing, or one is given that the wiring cannot use.
    """
    unstrained, wiring = placement.unstrained, placement.wiring
    if unstrained is None:
        raise mistake(placement, "no unstrained value", "the value at commissioning", "Fill it in.")
    _check_figures(placement, imaginary)
    signal = Signal(
        wiring=wiring,
        unstrained=unstrained,
        unstrained_u=0.0,
        reduction=reduction,
        series_ohm=_LEADS.get(wiring, 0.0) * placement.lead_ohm,
        nominal_ohm=placement.nominal_ohm,
        leakage_ohm=placement.leakage_ohm,
        poisson=placement.poisson or 0.0,
        rail_low=_rail_low(channel),
        rail_high=_rail_high(channel),
        meter_ohm=placement.meter_ohm,
        reference_ohm=placement.reference_ohm,
    )
    if imaginary is not None:
        ends = _rail_low(imaginary), _rail_high(imaginary)
        signal = replace(signal, imaginary=Imaginary(imaginary.id, *ends))
    _check_unstrained(placement, signal)
    u = placement.unstrained_u * _slope(signal)
    return replace(signal, unstrained_u=u, leads=_leads(placement, signal))


def _rail_low(channel: Channel) -> float:
    return float("-inf") if channel.rail_low is None else channel.rail_low


def _rail_high(channel: Channel) -> float:
    return float("inf") if channel.rail_high is None else channel.rail_high


def _check_figures(placement: Placement, imaginary: Channel | None) -> None:
    wiring = placement.wiring
    for key, able in (("lead_ohm", tuple(_LEADS)), ("leakage_ohm", _LEAKS)):
        if getattr(placement, key) and wiring not in able:
            found, expected = f"{key} with wiring {wiring}", f"no {key}"
            raise mistake(
                placement, found, expected, f"Leave it empty: it cannot be taken off {wiring}."
            )
    loaded = placement.lead_ohm or placement.leakage_ohm or placement.meter_ohm
    if wiring not in RESISTANCE and loaded and placement.nominal_ohm is None:
        raise mistake(
            placement,
            "lead_ohm, leakage_ohm or meter_ohm without nominal_ohm",
            "the gauge's resistance",
            "Fill in nominal_ohm.",
        )
    for needed, key, value in (
        ("poisson" in wiring, "poisson", placement.poisson),
        (wiring == "divider", "reference_ohm", placement.reference_ohm),
        (wiring == "impedance", "imaginary_channel", imaginary),
        (
            bool(placement.lead_temperature_channel),
            "lead_temperature_c",
            placement.lead_temperature_c,
        ),
    ):
        if needed and value is None:
            raise mistake(
                placement, f"no {key} with wiring {wiring}", f"a {key}", f"Fill in {key}."
            )


def _check_unstrained(placement: Placement, signal: Signal) -> None:
    reference = np.array([signal.unstrained])
    if signal.wiring in RESISTANCE:
        arm = arm_resistance(reference, signal)
        possible = bridge.gauge_resistance(arm, signal.series_ohm, signal.leakage_ohm)
    else:
        possible = bridge.arm_ratio(open_ratio(reference, signal))
    if not np.isfinite(possible[0]):
        raise mistake(
            placement,
            f"unstrained {signal.unstrained:g}",
            "a value that a whole gauge can give",
            "Write the ratio in V/V or the resistance in Ohm.",
        )


def _slope(signal: Signal) -> float:
    """dδ/d(value) at the unstrained value: what an uncertainty there is in δ."""
    unstrained = signal.unstrained
    if signal.wiring in RESISTANCE:
        # The gauge's share of what the terminals show, over d ln(shown)/d(value).
        shown = float(arm_resistance([unstrained], signal)[0])
        share = shown / (shown - signal.series_ohm)
        is_divider = signal.wiring == "divider"
        return share / (unstrained * (1.0 - unstrained) if is_divider else unstrained)
    if signal.wiring in QUARTER:
        # d ln x/de of x = (½ + e)/(½ - e), over the share of the gauge in its arm
        return (1.0 + lead_share(signal)) / (0.25 - unstrained**2)
    small = equivalent_delta(np.array([1e-9]), signal.wiring, signal.poisson)
    return float(small[0]) / 1e-9 * (1.0 + lead_share(signal))


def _leads(placement: Placement, signal: Signal) -> Leads | None:
    """None where no copper lies in the gauge's arm alone."""
    if signal.wiring not in TWO_WIRE or not signal.series_ohm:
        return None
    channel, stated = placement.lead_temperature_channel, placement.lead_temperature_u_k
    usual = OUTDOORS_U_K if channel is None else ALONG_LEADS_U_K
    gauge = signal.nominal_ohm or 0.0
    if signal.wiring in RESISTANCE:
        gauge = float(arm_resistance([signal.unstrained], signal)[0]) - signal.series_ohm
    return Leads(
        ohm=signal.series_ohm,
        channel=channel,
        reference_c=placement.lead_temperature_c or 0.0,
        temperature_u=usual if stated is None else stated,
        delta_per_k=bridge.COPPER_PER_K * signal.series_ohm / gauge,
    )
