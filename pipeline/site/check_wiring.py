"""
Channel, wiring, point and the electrical figures of a placement fit each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

from pipeline.errors import Mistake
from pipeline.site.located import did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.units import (
    CHANNEL_UNITS,
    KINDS_OF_WIRING,
    POISSON_WIRINGS,
    QUARTER_WIRINGS,
    RESISTANCE_WIRINGS,
    SEVERAL_ARMS,
    UNIT_OF_KIND,
    UNIT_OF_QUANTITY,
)

_OHMS = RESISTANCE_WIRINGS - {"divider"}


def check_channel_units(lookup: Lookup) -> Iterator[Mistake]:
    """A channel has the SenML unit that the chain works in for its kind."""
    for channel in lookup.parts.channels:
        unit, kind = channel.item.unit, channel.item.kind
        wanted = UNIT_OF_KIND.get(kind)
        if wanted is not None and unit != wanted:
            remedy = f"Write {wanted}; what a node sends in another unit is converted or refused."
            yield channel.mistake("unit", f'"{unit}"', f'"{wanted}" for kind {kind}', remedy)
        elif unit not in CHANNEL_UNITS:
            remedy = did_you_mean(unit, CHANNEL_UNITS)
            expected = "a unit of the SenML registry that the chain knows"
            yield channel.mistake("unit", f'"{unit}"', expected, remedy)


def check_channel_fits(lookup: Lookup) -> Iterator[Mistake]:
    """Bridges hang on bridge channels, resistances on resistance channels, climate on climate."""
    climate = (
        ("temperature_channel", "temperature"),
        ("humidity_channel", "humidity"),
        ("air_temperature_channel", "temperature"),
        ("lead_temperature_channel", "temperature"),
    )
    for placement in lookup.parts.placements:
        one = placement.item
        channel, kinds = lookup.channel(one, one.channel), KINDS_OF_WIRING[one.wiring]
        if channel is not None and channel.item.kind not in kinds:
            found = f'"{one.channel}" of kind {channel.item.kind} with wiring {one.wiring}'
            expected = f"a channel of kind {' or '.join(kinds)}"
            remedy = "Mend the wiring here, or the kind and unit in channels.csv."
            yield placement.mistake("channel", found, expected, remedy)
        for key, kind in climate:
            name = getattr(one, key)
            used = lookup.channel(one, name) if name else None
            if used is not None and used.item.kind != kind:
                found = f'"{name}" of kind {used.item.kind}'
                remedy = "Name another channel, or mend its kind in channels.csv."
                yield placement.mistake(key, found, f"a channel of kind {kind}", remedy)
            if used is not None and one.climate_age_s < used.item.interval_s:
                found = (
                    f'{one.climate_age_s:g} s, but "{name}" comes every {used.item.interval_s:g} s'
                )
                remedy = "Make it at least twice the interval, or readings go uncompensated."
                expected = "an age above the interval"
                yield placement.mistake("climate_age_s", found, expected, remedy)


def check_points(lookup: Lookup) -> Iterator[Mistake]:
    """A point's unit belongs to its quantity, and a gauge of the right sort sits there."""
    for point in lookup.parts.points:
        quantity, unit = point.item.quantity, point.item.unit
        wanted = UNIT_OF_QUANTITY.get(quantity)
        if wanted is not None and unit != wanted:
            yield point.mistake(
                "unit", f'"{unit}"', f'"{wanted}" for {quantity}', f"Write {wanted}."
            )
        if wanted is None and (not unit.strip() or unit == "µm/m"):
            remedy = f"Write the unit of {quantity} that people read, for example mm/m."
            yield point.mistake("unit", f'"{unit}" for quantity {quantity}', "its own unit", remedy)
    for placement in lookup.parts.placements:
        at = lookup.points.get(placement.item.point)
        if at is None:
            continue
        quantity, wiring = at.item.quantity, placement.item.wiring
        if quantity == "shunt":
            found = f'point "{at.item.id}", which takes the shunt checks of a gauge'
            remedy = "Name the gauge's own point here, and this one in shunt_point."
            yield placement.mistake("point", found, "a point that a gauge measures", remedy)
        elif (quantity == "strain") == (wiring == "linear"):
            found = f'{wiring} at point "{at.item.id}", which measures {quantity}'
            expected = "a bridge or resistance wiring for strain, linear for all else"
            remedy = "Mend the wiring here or the quantity in points.csv."
            yield placement.mistake("wiring", found, expected, remedy)
        channel = lookup.channel(placement.item, placement.item.channel)
        if channel is not None and wiring == "linear":
            kinds = {"temperature", "humidity"} & {quantity, channel.item.kind}
            if kinds and quantity != channel.item.kind:
                found = f'"{channel.item.id}" of kind {channel.item.kind} for {quantity}'
                remedy = "Name a channel of that quantity, or mend the quantity in points.csv."
                yield placement.mistake("channel", found, f"a channel for {quantity}", remedy)


def check_unstrained(lookup: Lookup) -> Iterator[Mistake]:
    """Every gauge has its unstrained value, in the range that its wiring can give."""
    for placement in lookup.parts.placements:
        one = placement.item
        if one.unstrained is None:
            remedy = "Fill in what the instrument showed at commissioning (0 if a sensor has none)."
            yield placement.mistake("unstrained", "an empty cell", "the unstrained value", remedy)
        elif one.wiring in _OHMS and one.unstrained <= 0:
            remedy = "Write the resistance in Ohm."
            found = f"{one.unstrained:g} Ohm"
            yield placement.mistake("unstrained", found, "a resistance above 0", remedy)
        elif one.wiring == "resistance_2wire" and one.unstrained <= 2 * one.lead_ohm:
            found = f"{one.unstrained:g} Ohm with leads of {one.lead_ohm:g} Ohm each"
            remedy = "Write what the meter showed, leads included."
            yield placement.mistake("unstrained", found, "more than both leads", remedy)
        elif one.wiring in _OHMS and one.unstrained >= (one.leakage_ohm or inf):
            found = f"{one.leakage_ohm:g} Ohm beside unstrained {one.unstrained:g} Ohm"
            remedy = "Look at its unit: 100 MOhm is 1e8."
            yield placement.mistake("leakage_ohm", found, "more than the gauge shows", remedy)
        elif one.wiring in _OHMS and one.unstrained >= (one.meter_ohm or inf):
            found = f"{one.meter_ohm:g} Ohm beside unstrained {one.unstrained:g} Ohm"
            remedy = "Look at its unit: 10 MOhm is 1e7."
            yield placement.mistake("meter_ohm", found, "more than the gauge shows", remedy)
        elif one.wiring in QUARTER_WIRINGS | SEVERAL_ARMS and abs(one.unstrained) >= 0.5:
            found, expected = f"{one.unstrained:g} V/V", "an output ratio between -0.5 and 0.5 V/V"
            remedy = "Write the ratio in V/V: 0.132 mV/V is 0.000132."
            yield placement.mistake("unstrained", found, expected, remedy)


def check_poisson(lookup: Lookup) -> Iterator[Mistake]:
    """Poisson wirings have Poisson's ratio, the others have none."""
    for placement in lookup.parts.placements:
        wiring, poisson = placement.item.wiring, placement.item.poisson
        if wiring in POISSON_WIRINGS and poisson is None:
            remedy = "Fill in Poisson's ratio of the structure's material, for example 0.30."
            expected = f"Poisson's ratio for wiring {wiring}"
            yield placement.mistake("poisson", "an empty cell", expected, remedy)
        elif wiring in POISSON_WIRINGS and poisson is not None and not 0 < poisson < 0.5:
            expected, remedy = "a ratio between 0 and 0.5", "Write it as a ratio, for example 0.30."
            yield placement.mistake("poisson", f"{poisson:g}", expected, remedy)
        elif wiring not in POISSON_WIRINGS and poisson is not None:
            expected = f"an empty cell with wiring {wiring}"
            remedy = "Leave it empty, or mend the wiring."
            yield placement.mistake("poisson", f"{poisson:g}", expected, remedy)
