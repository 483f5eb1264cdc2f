"""
Events and faults as a person writes them on the command line.

`overload@30m+6m`, `heat_wave@0h+2d*9`, `open:n1-g1s1-ohm@1h+20m`, `clock_jump:deck-n1@10m+5m*3600`.
"""

from __future__ import annotations

import re
from typing import cast

from pipeline.simulate.events import EVENT_KINDS, Event, EventKind
from pipeline.simulate.faults import FAULT_KINDS, Fault, FaultKind

UNIT_US = {"s": 1_000_000, "m": 60_000_000, "h": 3_600_000_000, "d": 86_400_000_000}
_SPAN = re.compile(r"(\d+(?:\.\d+)?)([smhd])")
_ITEM = re.compile(
    r"(?P<kind>[a-z_]+)(?::(?P<target>[^@]+))?@(?P<offset>[0-9.]+[smhd])"
    r"\+(?P<duration>[0-9.]+[smhd])(?:\*(?P<size>-?[0-9.]+(?:e-?\d+)?))?"
)


def span_us(text: str) -> int:
    """
    Microseconds of `90s`, `15m`, `1.5h` or `2d`.

    Raises:
        ValueError: written otherwise.
    """
    match = _SPAN.fullmatch(text)
    if match is None:
        raise ValueError(f'"{text}" is no span of time; write 90s, 15m, 1.5h or 2d')
    return round(float(match[1]) * UNIT_US[match[2]])


def read_event(text: str, start_us: int) -> Event:
    """
    The event of `KIND@OFFSET+DURATION[*SIZE]`, counted from `start_us`.

    Raises:
        ValueError: written otherwise, or a kind that there is not.
    """
    match = _ITEM.fullmatch(text)
    if match is None or match["target"] or match["kind"] not in EVENT_KINDS:
        raise ValueError(
            f'event "{text}": write KIND@OFFSET+DURATION[*SIZE], for example overload@30m+6m; '
            f"kinds are {', '.join(EVENT_KINDS)}"
        )
    begin = start_us + span_us(match["offset"])
    kind = cast(EventKind, match["kind"])
    usual = 9.0 if kind == "heat_wave" else 1.0
    return Event(kind, begin, begin + span_us(match["duration"]), float(match["size"] or usual))


def read_fault(text: str, start_us: int) -> Fault:
    """
    The fault of `KIND:TARGET@OFFSET+DURATION[*SIZE]`, counted from `start_us`.

    Raises:
        ValueError: written otherwise, a kind that there is not, or a size that it needs missing.
    """
    match = _ITEM.fullmatch(text)
    if match is None or not match["target"] or match["kind"] not in FAULT_KINDS:
        raise ValueError(
            f'fault "{text}": write KIND:TARGET@OFFSET+DURATION[*SIZE], for example '
            f"open:n1-g1s1-ohm@1h+20m; kinds are {', '.join(FAULT_KINDS)}"
        )
    kind = cast(FaultKind, match["kind"])
    if kind in ("spikes", "clock_jump", "drift") and match["size"] is None:
        raise ValueError(
            f'fault "{text}": {kind} needs a size: *HEIGHT of spikes, *SECONDS of a clock jump, '
            "*CHANGE a day of a drift"
        )
    begin = start_us + span_us(match["offset"])
    end = begin + span_us(match["duration"])
    return Fault(kind, match["target"], begin, end, float(match["size"] or 0.0))
