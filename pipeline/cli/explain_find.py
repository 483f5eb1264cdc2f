"""
Finds the one reading that `spanwarden explain` is asked about: point, time, rows, where they lie.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.blocks import NO_SEQUENCE, Ints, Readings, concat_readings, dedupe_readings
from pipeline.derive.gauges import NEVER, microseconds
from pipeline.derive.moment import Moment, Row, moment_of, row_at
from pipeline.derive.state import ChainState
from pipeline.errors import ConfigError, Mistake
from pipeline.site.located import did_you_mean
from pipeline.site.models import Placement, Site, Structure
from pipeline.station.layout import layout_of, structure_of
from pipeline.station.machine import Setup, compile_setup
from pipeline.station.unsealed import unsealed_readings
from pipeline.store.archive import Archive
from pipeline.store.edges import entering_state
from pipeline.store.layout import DAY_US
from pipeline.store.query import read_span

SECOND_US = 1_000_000


@dataclass(frozen=True)
class Place:
    """What was asked about: a point with the gauge that was there."""

    setup: Setup
    placement: Placement
    archive: Archive

    @property
    def structure(self) -> Structure:
        """On which it is."""
        return self.setup.structure

    @property
    def spool(self) -> Path:
        """Where readings are until they are sealed."""
        return layout_of(self.setup.site, self.structure.id).spool


@dataclass(frozen=True, eq=False)
class Found:
    """A reading with what the chain makes of it, and where it lies."""

    place: Place
    moment: Moment
    rows: Readings
    """Of its channel and time: more than one where values contradict each other."""
    file: Path
    """Of the raw archive, or the folder of the spool."""
    window_us: int
    is_sealed: bool
    stored: Row | None
    """The row of the results archive; None: not sealed yet."""


def place_of(site: Site, structure_id: str | None, name: str, at_us: int) -> Place:
    """
    The point of that name, or the point at which the gauge of that serial was at the time.

    Raises:
        ConfigError: no such point or gauge, or no gauge there at that time.
        StationError: no such structure.
    """
    structures = site.structures if structure_id is None else (structure_of(site, structure_id),)
    known = [n for s in structures for p in s.placements for n in (p.point, p.serial)]
    for structure in structures:
        made_of = _made_of(structure, name)
        if made_of:
            found = f'"{name}", which is worked out from the points {", ".join(made_of)}'
            raise _refuse("POINT", found, "a point with a gauge", "Have each of those explained.")
    if name not in known:
        expected = "a point of points.csv or a serial of gauges.csv"
        raise _refuse("POINT", f'"{name}"', expected, did_you_mean(name, known))
    for structure in structures:
        for placement in structure.placements:
            end = NEVER if placement.valid_to is None else microseconds(placement.valid_to)
            if name in (placement.point, placement.serial) and (
                microseconds(placement.valid_from) <= at_us < end
            ):
                setup = compile_setup(site, structure)
                data = layout_of(site, structure.id).data
                archive = Archive(data, structure.id, site.storage.window_h)
                return Place(setup, placement, archive)
    spans = "; ".join(
        f"{p.serial} at {p.point} from {p.valid_from.isoformat()}"
        + (f" to {p.valid_to.isoformat()}" if p.valid_to else "")
        for s in structures
        for p in s.placements
        if name in (p.point, p.serial)
    )
    found = f'a time at which no gauge was in place for "{name}"'
    raise _refuse("TIME", found, f"a time within: {spans}", "Mend it, or gauges.csv.")


def nearest_times(place: Place, at_us: int) -> tuple[int | None, tuple[int, ...]]:
    """
    Time of the reading meant by `at_us`, or None; and the nearest ones before and after it.

    A time in whole seconds also means the one reading within that second.
    """
    times = _times_near(place, at_us)
    before, after = times[times < at_us][-1:], times[times > at_us][:1]
    near = tuple(int(t) for t in (*before, *after))
    if at_us in times:
        return at_us, near
    within = times[(times > at_us) & (times < at_us + SECOND_US)]
    if at_us % SECOND_US == 0 and len(within) == 1:
        return int(within[0]), near
    return None, near


def found_reading(place: Place, at_us: int) -> Found | None:
    """The reading at exactly that time; None where the chain gives no row for it."""
    archive, channel = place.archive, place.placement.channel
    window = int(archive.window_of(np.array([at_us]))[0])
    raw = archive.read_raw(window) if archive.has(window, "raw") else Readings.empty()
    rows = _rows_at(raw, channel, at_us)
    is_sealed = bool(len(rows))
    if not is_sealed:
        fresh = unsealed_readings(place.spool, place.setup, window, archive.end_of(window))
        raw = dedupe_readings(concat_readings([raw, fresh]))
        rows = _rows_at(raw, channel, at_us)
    state = _state(archive, window, is_sealed)
    moment = moment_of(raw, state, place.setup.plan, place.placement.point, at_us)
    if moment is None:
        return None
    stored = None
    if is_sealed and archive.has(window, "results"):
        stored = row_at(archive.read_results(window), place.placement.point, at_us)
    file = archive.layout.path(window, "raw") if is_sealed else place.spool
    return Found(place, moment, rows, file, window, is_sealed, stored)


def sequence_of(rows: Readings, row: int) -> int | None:
    """The number that the node gave, or None."""
    number = int(rows.column("sequence")[row])
    return None if number == NO_SEQUENCE else number


def _made_of(structure: Structure, name: str) -> list[str]:
    """The points of a rosette or section; empty: it is none."""
    for rosette in structure.rosettes:
        if rosette.id == name:
            return list(rosette.points)
    for section in structure.sections:
        if section.id == name:
            return [p.id for p in structure.points if p.section == section.section]
    return []


def _state(archive: Archive, window: int, is_sealed: bool) -> ChainState:
    """The state that the stored results began with, so that they can be compared."""
    if is_sealed and archive.has(window, "results"):
        text = archive.metadata(window, "results").get("state_in")
    else:
        text = entering_state(archive, window)
    return ChainState() if text is None else ChainState.from_json(text)


def _times_near(place: Place, at_us: int) -> Ints:
    channel, start, end = place.placement.channel, at_us - DAY_US, at_us + DAY_US
    table = read_span(place.archive, "raw", [channel], start, end, ["time"])
    sealed = np.asarray(table.column("time").combine_chunks().cast(pa.int64()), np.int64)
    if at_us in sealed:
        return np.unique(sealed)
    fresh = unsealed_readings(place.spool, place.setup, start, end)
    codes, names = fresh.channel_codes()
    mine = np.array([name == channel for name in names], bool)[codes]
    return np.unique(np.concatenate([sealed, fresh.column("time").astype(np.int64)[mine]]))


def _rows_at(readings: Readings, channel: str, at_us: int) -> Readings:
    codes, names = readings.channel_codes()
    mine = np.array([name == channel for name in names], bool)[codes]
    return readings.take(mine & (readings.column("time").astype(np.int64) == at_us))


def _refuse(option: str, found: str, expected: str, remedy: str) -> ConfigError:
    return ConfigError((Mistake("command line", option, found, expected, remedy),))
