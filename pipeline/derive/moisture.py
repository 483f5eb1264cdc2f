"""
Moisture of a gauge's film: driven by the humidity at its surface whenever humidity was measured.

The film is advanced only as far as its gauge has been read, so that a backlog meets the moisture
of its own time. What is not known of w is carried like w itself: it decays with τ after a cold
start, and grows towards that of an unknown humidity when no humidity came for longer than the
stated age. Where water condenses its activity is 1, and so is φ.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.blocks import TEST_BIT, Floats, Ints
from pipeline.derive.block import Block, Context, Tests
from pipeline.derive.gauges import Film, Gauge, Joins
from pipeline.derive.series import Joined, joined_value
from pipeline.derive.state import FilmState, GaugeState
from pipeline.physics.environment import (
    first_order_lag,
    saturation_pressure,
    saturation_slope,
    surface_humidity,
    time_constant,
)

UNKNOWN_U = float(1.0 / np.sqrt(12.0))
"""Standard deviation of a humidity that may be anything from 0 to 1."""
SETTLED_U = 0.02
"""A film is settled when u of w is below this or twice its humidity channel's."""


@dataclass(frozen=True, eq=False)
class Track:
    """A film at the times that drove it: the columns of `FilmState`, shape (n,)."""

    time: Ints
    drive: Floats
    drive_u: Floats
    moisture: Floats
    moisture_u: Floats
    tau: Floats

    def __len__(self) -> int:
        return len(self.time)

    def last(self) -> FilmState:
        """The state to pass on."""
        return FilmState(
            int(self.time[-1]),
            *(
                float(column[-1])
                for column in (self.drive, self.drive_u, self.moisture, self.moisture_u, self.tau)
            ),
        )


def stage_moisture(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `film_moisture` (w, 0..1) and `film_moisture_u`; NaN before the first humidity.

    Sets `uncompensated` where humidity is missing or too old (w goes on, less and less certain),
    `condensation` where φ reached 1, `warm_up` until w is settled; none of them where w is only
    followed to compare the companion with, and nothing rests on it.
    """
    film = context.strain.followed_film
    if film is None:
        return block, state
    is_taken_off = context.strain.film is not None
    if not len(block):
        return block.with_columns(film_moisture=np.empty(0), film_moisture_u=np.empty(0)), state
    joins, joined, until = context.segment.joins, context.joined, int(block.time[-1])
    before = state.film
    if not context.is_late:
        before = advanced(before, context.gauge, joined, context.segment.start_us - 1)
    start = context.segment.start_us
    track = _follow(before, film, joins, joined, start, until)
    if not len(track):
        unknown = np.int32(TEST_BIT["uncompensated"] | TEST_BIT["warm_up"])
        tests = block.tests | unknown if is_taken_off else block.tests
        nothing = np.full(len(block), np.nan)
        return block.with_columns(
            tests=tests, film_moisture=nothing, film_moisture_u=nothing
        ), state
    moisture, moisture_u, tests = _at_readings(block, track, film, joins.age_us, before is not None)
    tests = tests if is_taken_off else block.tests
    after = block.with_columns(tests=tests, film_moisture=moisture, film_moisture_u=moisture_u)
    return after, replace(state, film=track.last())


def settled_u(film: Film) -> float:
    """The largest u of w at which a film counts as settled."""
    return max(SETTLED_U, 2.0 * film.sensor_u)


def advanced(
    state: FilmState | None, gauge: Gauge, joined: Joined, until_us: int
) -> FilmState | None:
    """The film after every humidity up to `until_us`, each under its own segment's model."""
    if not gauge.has_film:
        return state
    for segment in gauge.segments:
        if segment.start_us > until_us:
            break
        done = state is not None and state.time >= segment.end_us - 1
        film = None if segment.strain is None else segment.strain.followed_film
        if done or film is None:
            continue
        until = min(until_us, segment.end_us - 1)
        track = _follow(state, film, segment.joins, joined, segment.start_us, until)
        state = track.last() if len(track) else state
    return state


def _at_readings(
    block: Block, track: Track, film: Film, age_us: int, has_start: bool
) -> tuple[Floats, Floats, Tests]:
    place = np.searchsorted(track.time, block.time, side="right") - 1
    if has_start:
        place = np.maximum(place, 0)  # a film cannot be run backwards: its state stands
    known = place >= 0
    k = np.maximum(place, 0)
    age = np.maximum(block.time - track.time[k], 0)
    stays = np.exp(-age * 1e-6 / track.tau[k])
    drive, drive_u = track.drive[k], track.drive_u[k]
    driving_u = _driving_u(drive, drive_u, track.moisture[k], film)
    moisture = np.where(known, drive + (track.moisture[k] - drive) * stays, np.nan)
    moisture_u = np.where(known, driving_u + (track.moisture_u[k] - driving_u) * stays, np.nan)
    stale = ~known | (age > age_us) | (drive_u >= UNKNOWN_U)
    settled = moisture_u <= settled_u(film)
    tests = block.tests.copy()
    tests[stale] |= TEST_BIT["uncompensated"]
    tests[known & (drive >= 1.0)] |= TEST_BIT["condensation"]
    tests[~settled] |= TEST_BIT["warm_up"]
    return moisture, moisture_u, tests


def _follow(
    before: FilmState | None, film: Film, joins: Joins, joined: Joined, start: int, until: int
) -> Track:
    """The film from its state (the first entry, if there is one) to the last drive at `until`."""
    after = start - 1 if before is None else max(before.time, start - 1)
    time, drive, drive_u, tau = _drives(film, joins, joined, after, until)
    if before is not None:
        time = np.concatenate(([before.time], time))
        drive = np.concatenate(([before.drive], drive))
        drive_u = np.concatenate(([before.drive_u], drive_u))
        tau = np.concatenate(([before.tau], tau))
    if not len(time):
        empty = np.empty(0)
        return Track(time, empty, empty, empty, empty, empty)
    ends = np.append(time[1:], until)
    stale = np.flatnonzero((ends - time > joins.age_us + 1) & (drive_u < UNKNOWN_U))
    if len(stale):
        # The drive is held on, but from here on nothing is known of it.
        time = np.insert(time, stale + 1, time[stale] + joins.age_us + 1)
        drive = np.insert(drive, stale + 1, drive[stale])
        drive_u = np.insert(drive_u, stale + 1, UNKNOWN_U)
        tau = np.insert(tau, stale + 1, tau[stale])
    first = (drive[0], UNKNOWN_U) if before is None else (before.moisture, before.moisture_u)
    if len(time) == 1:
        return Track(time, drive, drive_u, np.array(first[:1]), np.array(first[1:]), tau)
    step = np.diff(time) * 1e-6
    moisture = first_order_lag(step, drive[:-1], tau[:-1], float(first[0]))
    held = np.concatenate((first[:1], moisture[:-1]))
    driving_u = _driving_u(drive[:-1], drive_u[:-1], held, film)
    moisture_u = first_order_lag(step, driving_u, tau[:-1], float(first[1]))
    return Track(
        time,
        drive,
        drive_u,
        np.concatenate((first[:1], moisture)),
        np.concatenate((first[1:], moisture_u)),
        tau,
    )


def _driving_u(drive: Floats, drive_u: Floats, moisture: Floats, film: Film) -> Floats:
    """
    What drives the uncertainty of w: u of φ, and u of ln τ times how far w is behind.

    From τ·dw/dt = φ - w, the change of w with ln τ follows w - φ with the same lag.
    """
    return np.asarray(np.hypot(drive_u, film.tau_u * (drive - moisture)))


def _drives(
    film: Film, joins: Joins, joined: Joined, after: int, until: int
) -> tuple[Ints, Floats, Floats, Floats]:
    """Times, φ, u of φ and τ of the humidity samples in (after, until] that give a φ."""
    series = joined.get(joins.humidity or "")
    if series is None or after >= until:
        return np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0)
    rows = slice(
        int(np.searchsorted(series.time, after, side="right")),
        int(np.searchsorted(series.time, until, side="right")),
    )
    time, humidity = series.time[rows], series.value[rows] / 100.0
    surface = joined_value(joined, joins.temperature, time, joins.age_us)
    tau = time_constant(film.tau, film.activation, surface, film.reference_c)
    if joins.air_temperature is None:
        return time, np.minimum(humidity, 1.0), np.full(len(time), _bounded(film.sensor_u)), tau
    air = joined_value(joined, joins.air_temperature, time, joins.age_us)
    drive = surface_humidity(humidity, air, surface)
    ratio = saturation_pressure(air) / saturation_pressure(surface)
    slopes = np.hypot(saturation_slope(air), saturation_slope(surface))
    drive_u = np.hypot(film.sensor_u * ratio, drive * slopes * film.sensor_u_k)
    has = ~np.isnan(drive)
    return time[has], np.minimum(drive[has], 1.0), _bounded(drive_u[has]), tau[has]


def _bounded(u: float | Floats) -> Floats:
    """Below `UNKNOWN_U`, which marks a drive of which nothing is known."""
    return np.minimum(u, 0.999 * UNKNOWN_U)
