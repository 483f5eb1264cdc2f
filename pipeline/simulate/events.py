"""
What happens on purpose: an overload, a load test, a heat wave, as items on a schedule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from pipeline.simulate.scenario import Structure
from pipeline.simulate.vehicles import Vehicle, standing_vehicle
from pipeline.simulate.weather import HeatWave

EventKind = Literal["overload", "load_test", "heat_wave"]
EVENT_KINDS: tuple[str, ...] = get_args(EventKind)
TEST_SHARE = 0.3
"""Weight of a load test's lorry as a share of the overload's."""


@dataclass(frozen=True)
class Event:
    """
    One event from a time to a time.

    `size` multiplies the scenario's overload (`overload`, `load_test`) or is the warming in K
    (`heat_wave`, with half of it in the dew point).
    """

    kind: EventKind
    start_us: int
    end_us: int
    size: float = 1.0


Happening = Event | Vehicle | HeatWave


def vehicles(structure: Structure, events: Sequence[Happening]) -> tuple[Vehicle, ...]:
    """The vehicles of all events; a load test stands in the middle of each span in turn."""
    made = []
    for event in events:
        if isinstance(event, Vehicle):
            made.append(event)
        elif isinstance(event, HeatWave):
            continue
        elif event.kind == "overload":
            place = structure.overload.stands_at_m
            made.append(_lorry(structure, event.size, [(event.start_us, event.end_us, place)]))
        elif event.kind == "load_test":
            made.append(_lorry(structure, TEST_SHARE * event.size, _stops(structure, event)))
    return tuple(made)


def heat_waves(events: Sequence[Happening]) -> tuple[HeatWave, ...]:
    """The heat waves among the events."""
    made = []
    for event in events:
        if isinstance(event, HeatWave):
            made.append(event)
        elif isinstance(event, Event) and event.kind == "heat_wave":
            made.append(HeatWave(event.start_us, event.end_us, event.size, 0.5 * event.size))
    return tuple(made)


def _lorry(structure: Structure, share: float, stops: Sequence[tuple[int, int, float]]) -> Vehicle:
    heavy = structure.overload
    return standing_vehicle(
        structure, share * heavy.total_kn * 1e3, heavy.axles, heavy.spacing_m, stops
    )


def _stops(structure: Structure, event: Event) -> list[tuple[int, int, float]]:
    """A stand in each span; a tenth of the time for each move."""
    count = len(structure.spans_m)
    share = (event.end_us - event.start_us) / (count + 0.1 * (count - 1))
    stops, support = [], 0.0
    for i, span in enumerate(structure.spans_m):
        begin = event.start_us + round(1.1 * share * i)
        stops.append((begin, begin + round(share), support + span / 2))
        support += span
    return stops
