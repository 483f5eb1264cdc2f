"""
Units that a channel may have: the part of the SenML registry that the chain works with.

Ref: IANA registry "Sensor Measurement Lists (SenML)", units of RFC 8428 and RFC 8798.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.site.models import ChannelKind, Wiring

CHANNEL_UNITS = frozenset(
    (
        *("/", "Ohm", "V", "mV", "A", "mA", "Hz"),
        *("Cel", "%RH"),
        *("m", "mm", "cm", "rad", "deg", "m/s", "m/s2"),
        *("Pa", "hPa", "N", "kg"),
    )
)

UNIT_OF_KIND: Mapping[ChannelKind, str] = {
    "bridge": "/",
    "resistance": "Ohm",
    "temperature": "Cel",
    "humidity": "%RH",
}
"""Kinds with one unit; a `linear` channel has any of `CHANNEL_UNITS`."""

KINDS_OF_WIRING: Mapping[Wiring, tuple[ChannelKind, ...]] = {
    "quarter_2wire": ("bridge",),
    "quarter_3wire": ("bridge",),
    "half_bending": ("bridge",),
    "half_poisson": ("bridge",),
    "full_bending": ("bridge",),
    "full_poisson_bending": ("bridge",),
    "full_poisson_axial": ("bridge",),
    "resistance_4wire": ("resistance",),
    "resistance_2wire": ("resistance",),
    "divider": ("bridge",),
    "impedance": ("resistance",),
    "linear": ("linear", "temperature", "humidity"),
}

QUARTER_WIRINGS = frozenset({"quarter_2wire", "quarter_3wire"})
HALF_WIRINGS = frozenset({"half_bending", "half_poisson"})
RESISTANCE_WIRINGS = frozenset({"resistance_4wire", "resistance_2wire", "divider", "impedance"})
"""Wirings that come to the resistance of one gauge."""
TWO_WIRE_WIRINGS = frozenset({"quarter_2wire", "resistance_2wire", "divider"})
"""Both leads lie in the gauge's arm, and warm with nothing beside them."""
SEVERAL_ARMS = frozenset(
    {"half_bending", "half_poisson", "full_bending", "full_poisson_bending", "full_poisson_axial"}
)
POISSON_WIRINGS = frozenset({"half_poisson", "full_poisson_bending", "full_poisson_axial"})

UNIT_OF_QUANTITY: Mapping[str, str] = {
    "strain": "µm/m",
    "temperature": "°C",
    "humidity": "%RH",
    "shunt": "1",
}
"""Quantities of a point with one unit; any other quantity names its own."""
