"""
Wires and instruments: leads and their temperature, leakage, input resistance, divider, impedance.

Every figure stands only where the chain uses it, and none that the chain needs is missing.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Placement
from pipeline.site.units import (
    HALF_WIRINGS,
    QUARTER_WIRINGS,
    RESISTANCE_WIRINGS,
    SEVERAL_ARMS,
    TWO_WIRE_WIRINGS,
)

_TAKES = {
    "lead_ohm": QUARTER_WIRINGS | HALF_WIRINGS | TWO_WIRE_WIRINGS,
    "leakage_ohm": QUARTER_WIRINGS | RESISTANCE_WIRINGS,
    "meter_ohm": QUARTER_WIRINGS | SEVERAL_ARMS | (RESISTANCE_WIRINGS - {"impedance"}),
}


def check_leads(lookup: Lookup) -> Iterator[Mistake]:
    """Leads, leakage and input resistance stand only where the chain takes them off."""
    for placement in lookup.parts.placements:
        for key, takes in _TAKES.items():
            value = getattr(placement.item, key)
            if value:
                yield from _lead_mistake(placement, key, value, takes)


def _lead_mistake(
    placement: Located[Placement], key: str, value: float, takes: frozenset[str]
) -> Iterator[Mistake]:
    one = placement.item
    if one.wiring not in takes:
        expected = f"no {key} with wiring {one.wiring}"
        remedy = f"Leave it empty; the chain takes it off for {', '.join(sorted(takes))} only."
        yield placement.mistake(key, f"{value:g} Ohm", expected, remedy)
    elif one.wiring in QUARTER_WIRINGS | SEVERAL_ARMS and one.nominal_ohm is None:
        remedy = f"Fill in the gauge's resistance; without it {key} cannot be taken off."
        found = f"an empty cell beside {key} {value:g} Ohm"
        yield placement.mistake("nominal_ohm", found, "the gauge's resistance in Ohm", remedy)
    elif key == "meter_ohm" and one.nominal_ohm is not None and value <= one.nominal_ohm:
        found = f"{value:g} Ohm beside a gauge of {one.nominal_ohm:g} Ohm"
        remedy = "Look at its unit: 10 MOhm is 1e7."
        yield placement.mistake(key, found, "an input resistance far above the gauge's", remedy)


def check_lead_temperature(lookup: Lookup) -> Iterator[Mistake]:
    """Temperatures of leads are of two-wire leads, and a channel has what it counts from."""
    keys = ("lead_temperature_channel", "lead_temperature_c", "lead_temperature_u_k")
    for placement in lookup.parts.placements:
        one = placement.item
        for key in keys:
            value = getattr(one, key)
            if value is None:
                continue
            if one.wiring not in TWO_WIRE_WIRINGS or not one.lead_ohm:
                found = f'"{value}" with wiring {one.wiring} and lead_ohm {one.lead_ohm:g}'
                expected = f"an empty cell without {', '.join(sorted(TWO_WIRE_WIRINGS))} leads"
                remedy = "Leave it empty: it cancels between two leads, or there are none."
                yield placement.mistake(key, found, expected, remedy)
        if one.lead_temperature_channel is not None and one.lead_temperature_c is None:
            remedy = "Fill in how warm the leads were when lead_ohm and unstrained were measured."
            expected = "the temperature from which their warming counts"
            yield placement.mistake("lead_temperature_c", "an empty cell", expected, remedy)


def check_divider(lookup: Lookup) -> Iterator[Mistake]:
    """A divider has its reference resistor and a ratio between 0 and 1; the others have neither."""
    for placement in lookup.parts.placements:
        one = placement.item
        if one.wiring == "divider" and one.reference_ohm is None:
            remedy = "Fill in the resistor in series with the gauge: V/V_exc = R/(R + R_ref)."
            expected = "the reference resistor of a divider in Ohm"
            yield placement.mistake("reference_ohm", "an empty cell", expected, remedy)
        if one.wiring != "divider" and one.reference_ohm is not None:
            found, expected = f"{one.reference_ohm:g} Ohm", f"an empty cell with {one.wiring}"
            remedy = "Leave it empty, or write divider as the wiring."
            yield placement.mistake("reference_ohm", found, expected, remedy)
        if one.wiring == "divider" and one.reference_ohm and one.unstrained is not None:
            yield from _divided(placement, one.unstrained, one.reference_ohm)


def _divided(placement: Located[Placement], ratio: float, reference: float) -> Iterator[Mistake]:
    one = placement.item
    if not 0 < ratio < 1:
        found, expected = f"{ratio:g} V/V", "a share of the excitation between 0 and 1"
        remedy = "Write V/V_exc = R/(R + R_ref)."
        yield placement.mistake("unstrained", found, expected, remedy)
        return
    resistance = reference * ratio / (1 - ratio)
    if resistance <= 2 * one.lead_ohm:
        found = f"{resistance:g} Ohm with leads of {one.lead_ohm:g} Ohm each"
        remedy = "Write the share that was measured, leads included, and look at reference_ohm."
        yield placement.mistake("unstrained", found, "more than both leads", remedy)
    for key in ("leakage_ohm", "meter_ohm"):
        beside = getattr(one, key)
        if beside is not None and resistance >= beside:
            found = f"{beside:g} Ohm beside {resistance:g} Ohm"
            remedy = "Look at its unit: 100 MOhm is 1e8."
            yield placement.mistake(key, found, "more than the gauge shows", remedy)


def check_impedance(lookup: Lookup) -> Iterator[Mistake]:
    """An impedance has the channel of its imaginary part, of its own; the others have none."""
    for placement in lookup.parts.placements:
        one, name = placement.item, placement.item.imaginary_channel
        if one.wiring == "impedance" and name is None:
            remedy = "Name the channel of Im(Z): the gauge is 1/Re(Y), and Re(Z) alone reads low."
            expected = "the channel of the imaginary part"
            yield placement.mistake("imaginary_channel", "an empty cell", expected, remedy)
        if one.wiring != "impedance" and name is not None:
            remedy = "Leave it empty, or write impedance as the wiring."
            expected = f"an empty cell with {one.wiring}"
            yield placement.mistake("imaginary_channel", f'"{name}"', expected, remedy)
        if one.wiring == "impedance" and name is not None:
            used = lookup.channel(one, name)
            if used is not None and used.item.kind != "resistance":
                found, expected = f'"{name}" of kind {used.item.kind}', "kind resistance"
                remedy = "Name the channel of Im(Z) in Ohm, or mend its kind in channels.csv."
                yield placement.mistake("imaginary_channel", found, expected, remedy)
            if name == one.channel:
                found, expected = f'"{name}", which is Re(Z) too', "another channel"
                remedy = "Name the channel of Im(Z)."
                yield placement.mistake("imaginary_channel", found, expected, remedy)
