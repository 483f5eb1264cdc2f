"""
What the chain needs to know of each gauge, ready for arithmetic: frozen numbers, no models.

A `Segment` is a span of time in which nothing configured changes; a seam lies between two.
Strain, δ, humidity and ratios are pure numbers here, temperatures °C, times µs since 1970 UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np

from pipeline.blocks import Floats, Ints
from pipeline.physics.curve import GaugeCurve
from pipeline.site.models import Wiring

NEVER = int(np.iinfo(np.int64).max)
"""End of what has no end."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(time: datetime) -> int:
    """µs since 1970 UTC of an aware time, exact."""
    return (time - _EPOCH) // timedelta(microseconds=1)


@dataclass(frozen=True)
class Signal:
    """From the channel's value to δ; electrical figures of one placement."""

    wiring: Wiring
    unstrained: float
    """In the channel's unit, as the instrument showed it."""
    unstrained_u: float
    """Standard uncertainty of δ from the unstrained value."""
    reduction: float
    """R_unstrained/R0: 1 + A(T) + H(w) at the climate of the unstrained value."""
    series_ohm: float
    """Leads in the gauge's arm."""
    nominal_ohm: float | None
    leakage_ohm: float | None
    poisson: float
    rail_low: float
    rail_high: float
    """Ends of the converter in the channel's unit; infinite: not known."""


@dataclass(frozen=True)
class Joins:
    """Which channels tell the climate of a gauge, and how old a value may be."""

    temperature: str | None
    humidity: str | None
    air_temperature: str | None
    age_us: int


@dataclass(frozen=True)
class Thermal:
    """Temperature: A(T), the factor's c_k, expansion, and how well they are known."""

    reference_c: float
    output: tuple[float, ...]
    """Of A in δ/Kⁱ about `reference_c`; empty: A is not taken off."""
    output_u: float
    factor_per_k: float
    factor_per_k_u: float
    sensor_u: float
    range_c: tuple[float, float]
    expansion: float
    """α of the structure at the point [1/K]."""
    is_total: bool
    """What the compensation leaves is total strain; mechanical is made by taking α·ΔT off."""
    zero_c: float
    """Temperature at which total and mechanical strain agree."""
    is_needed: bool
    """A missing temperature makes the result uncompensated."""


@dataclass(frozen=True)
class Film:
    """Moisture: H(w) and the lag of w."""

    output: tuple[float, ...]
    output_u: float
    reference: float
    """w at which H is 0."""
    tau: float
    activation: float
    reference_c: float
    sensor_u: float
    """Of the air's relative humidity, 0..1."""
    sensor_u_k: float


@dataclass(frozen=True)
class Companion:
    """The unstrained gauge beside: the channel and signal from which its δ comes."""

    channel: str
    signal: Signal
    reading_u: float


@dataclass(frozen=True)
class Creep:
    """The Prony series; tuples of one length, empty: no creep."""

    fractions: tuple[float, ...] = ()
    fractions_u: tuple[float, ...] = ()
    taus: tuple[float, ...] = ()


@dataclass(frozen=True)
class Ageing:
    """Drift of the unloaded gauge."""

    kind: str
    per_year: float
    per_year_u: float
    start_us: int


@dataclass(frozen=True)
class ZeroOffset:
    """The zero in force."""

    start_us: int
    offset: float
    offset_u: float


@dataclass(frozen=True, eq=False)
class Spread:
    """How well the curve is known for this gauge."""

    covariance: Floats
    knots: Floats | None
    """Strains of the knots that the covariance belongs to; None: coefficients of ε, ε², ε³."""
    freedom: float
    between: float
    """Relative spread between gauges, (1 + 1/n) included; 0 for a gauge's own calibration."""
    between_freedom: float
    reading_u: float
    """Of one δ from the instrument."""


@dataclass(frozen=True, eq=False)
class StrainModel:
    """All of a segment that only a strain gauge has."""

    curve: GaugeCurve
    spread: Spread
    thermal: Thermal
    film: Film | None
    has_companion: bool
    companion: Companion | None
    """None beside `has_companion`: it is not installed at that time."""
    companion_missing_u: float
    """Standard uncertainty of δ while the companion says nothing."""
    creep: Creep
    ageing: Ageing | None
    zero: ZeroOffset | None
    watches_total: bool


@dataclass(frozen=True)
class LinearModel:
    """value = scale·(reading - unstrained), in the point's unit."""

    scale: float
    scale_u: float
    unstrained: float
    unstrained_u: float
    rail_low: float
    rail_high: float


@dataclass(frozen=True, eq=False)
class Segment:
    """One gauge while nothing configured changes: start_us <= time < end_us."""

    start_us: int
    end_us: int
    joins: Joins
    is_expired: bool
    signal: Signal | None
    strain: StrainModel | None
    linear: LinearModel | None


@dataclass(frozen=True)
class Limits:
    """What the quality tests of a point compare with; None: the test is not required."""

    gross_low: float | None
    gross_high: float | None
    rate_per_s: float | None
    flat_us: int | None
    flat_tolerance: float
    gap_us: int
    """Longest distance of two readings that is not a gap."""


@dataclass(frozen=True, eq=False)
class Gauge:
    """A serial on a channel at a point, with its segments in the order of time."""

    serial: str
    channel: str
    point: str
    quantity: str
    limits: Limits
    segments: tuple[Segment, ...]

    @cached_property
    def key(self) -> str:
        """Name of its state."""
        return "|".join((self.serial, self.channel, self.point))

    @cached_property
    def ends_us(self) -> Ints:
        """Ends of the segments, ascending."""
        return np.array([s.end_us for s in self.segments], np.int64)

    @cached_property
    def has_film(self) -> bool:
        """Whether moisture is modelled in any segment."""
        return any(s.strain is not None and s.strain.film is not None for s in self.segments)


@dataclass(frozen=True, eq=False)
class Plan:
    """All gauges of a structure, by point, then by start; made by `plan.compile_plan`."""

    gauges: tuple[Gauge, ...]

    @cached_property
    def joined_channels(self) -> frozenset[str]:
        """Channels whose values are kept for joining: climate and companions."""
        names: set[str | None] = set()
        for segment in (s for g in self.gauges for s in g.segments):
            joins = segment.joins
            names |= {joins.temperature, joins.humidity, joins.air_temperature}
            if segment.strain is not None and segment.strain.companion is not None:
                names.add(segment.strain.companion.channel)
        return frozenset(name for name in names if name)

    @cached_property
    def channels(self) -> frozenset[str]:
        """Every channel that the chain reads."""
        return self.joined_channels | {gauge.channel for gauge in self.gauges}

    @cached_property
    def longest_age_us(self) -> int:
        """Longest age at which any gauge still uses a joined value."""
        return max((s.joins.age_us for g in self.gauges for s in g.segments), default=0)
