"""
A small invented structure for the tests of the gate and the client, and records for it.

Footbridge "mill": node "north" has bridge, resistance and climate channels, "south" one tilt.
"""

from __future__ import annotations

from pipeline.ingest.gate import Gate, compile_gate
from pipeline.site.models import Channel, ChannelKind, Node, Storage, Structure
from pipeline.store.spool import Record, RecordKind

PREFIX = "spanwarden"
NORTH = f"{PREFIX}/mill/north/readings"
SOUTH = f"{PREFIX}/mill/south/readings"
NOW_US = 1_763_992_800_000_000
"""2025-11-24 14:00 UTC."""
CHANNELS: tuple[tuple[str, str, ChannelKind, str], ...] = (
    ("N-e1", "north", "bridge", "/"),
    ("N-r1", "north", "resistance", "Ohm"),
    ("N-t1", "north", "temperature", "Cel"),
    ("N-h1", "north", "humidity", "%RH"),
    ("N-u1", "north", "linear", "V"),
    ("N-c1", "north", "linear", "mm"),
    ("S-a1", "south", "linear", "rad"),
)


def mill() -> Structure:
    """The structure."""
    return Structure(
        id="mill",
        name="Footbridge at the mill",
        material="steel",
        expansion_1e6_per_k=12.0,
        nodes=(Node(id="north", structure="mill"), Node(id="south", structure="mill")),
        channels=tuple(
            Channel(id=channel, node=node, kind=kind, unit=unit, interval_s=60.0)
            for channel, node, kind, unit in CHANNELS
        ),
    )


def mill_gate() -> Gate:
    """Its gate: 300 s of future and 400 days of past are taken."""
    return compile_gate(mill(), Storage(), PREFIX)


def message(
    payload: bytes,
    *,
    topic: str = NORTH,
    received_us: int = NOW_US,
    content_type: str = "",
    sequence: int | None = None,
    position: int = 0,
) -> Record:
    """A spool record of a message."""
    return Record(RecordKind.MESSAGE, received_us, payload, topic, content_type, sequence, position)
