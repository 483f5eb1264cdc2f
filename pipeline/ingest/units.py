"""
SenML units: which one can be turned into which other, and how, exactly.

Primary units come from the SenML registry; secondary ones (RFC 8798) only where the payload
allows them. `%` is a ratio there and a percentage to most people, so it is never converted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats


@dataclass(frozen=True)
class Unit:
    """primary value = value * times / over + offset; two factors keep 5 mV at exactly 0.005 V."""

    primary: str
    times: float = 1.0
    over: float = 1.0
    offset: float = 0.0


# RFC 8428, 12.1: K and Cel are both primary (the offset is 273.15); RFC 8798, 2: so is deg.
_PRIMARY = {
    "K": Unit("Cel", offset=-273.15),
    "deg": Unit("rad", times=math.pi, over=180.0),
}

# RFC 8798, table 2.
SECONDARY = {
    "ms": Unit("s", over=1000),
    "min": Unit("s", times=60),
    "h": Unit("s", times=3600),
    "MHz": Unit("Hz", times=1e6),
    "kW": Unit("W", times=1000),
    "kVA": Unit("VA", times=1000),
    "kvar": Unit("var", times=1000),
    "Ah": Unit("C", times=3600),
    "Wh": Unit("J", times=3600),
    "kWh": Unit("J", times=3.6e6),
    "varh": Unit("vars", times=3600),
    "kvarh": Unit("vars", times=3.6e6),
    "kVAh": Unit("VAs", times=3.6e6),
    "Wh/km": Unit("J/m", times=3.6),
    "KiB": Unit("B", times=1024),
    "GB": Unit("B", times=1e9),
    "Mbit/s": Unit("bit/s", times=1e6),
    "B/s": Unit("bit/s", times=8),
    "MB/s": Unit("bit/s", times=8e6),
    "mV": Unit("V", over=1000),
    "mA": Unit("A", over=1000),
    "dBm": Unit("dBW", offset=-30.0),
    "ug/m3": Unit("kg/m3", over=1e9),
    "mm/h": Unit("m/s", over=3.6e6),
    "m/h": Unit("m/s", over=3600),
    "ppm": Unit("/", over=1e6),
    "/100": Unit("/", over=100),
    "/1000": Unit("/", over=1000),
    "hPa": Unit("Pa", times=100),
    "mm": Unit("m", over=1000),
    "cm": Unit("m", over=100),
    "km": Unit("m", times=1000),
    "km/h": Unit("m/s", over=3.6),
}


def conversion(sent: str, wanted: str, *, secondary: bool) -> tuple[Unit, Unit] | None:
    """
    How to get from the unit `sent` to the unit `wanted`, for `convert`; None: not safe.

    Args:
        sent: unit of the reading.
        wanted: unit of the channel.
        secondary: whether the payload allows units of RFC 8798.
    """
    if sent in SECONDARY and not secondary:
        return None
    from_unit, to_unit = _unit(sent), _unit(wanted)
    return (from_unit, to_unit) if from_unit.primary == to_unit.primary else None


def convert(value: Floats, units: tuple[Unit, Unit]) -> Floats:
    """`value` of shape (n,) in the second of `units`; NaN stays NaN, what overflows is infinite."""
    sent, wanted = units
    with np.errstate(over="ignore", invalid="ignore"):
        primary = value * sent.times / sent.over + sent.offset
        return (primary - wanted.offset) * wanted.over / wanted.times


def _unit(name: str) -> Unit:
    return _PRIMARY.get(name) or SECONDARY.get(name) or Unit(name)
