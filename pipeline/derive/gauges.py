"""
What the chain needs to know of each gauge, ready for arithmetic: frozen numbers, no models.

A `Segment` is a span of time in which nothing configured changes; a seam lies between two.
Strain, δ, humidity and ratios are pure numbers here, temperatures °C, times µs since 1970 UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from math import inf

import numpy as np

from pipeline.blocks import Floats, Ints
from pipeline.derive.combine_plan import Element
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.curve import GaugeCurve
from pipeline.site.models import Wiring

NEVER = int(np.iinfo(np.int64).max)
"""End of what has no end."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(time: datetime) -> int:
    """µs since 1970 UTC of an aware time, exact."""
    return (time - _EPOCH) // timedelta(microseconds=1)


@dataclass(frozen=True)
class Leads:
    """Two-wire copper leads, whose resistance follows their temperature."""

    ohm: float
    """2·R_L at `reference_c`."""
    channel: str | None
    """Of their temperature; None: it is not known, and nothing is taken off."""
    reference_c: float
    temperature_u: float
    """Standard uncertainty of their temperature [K]."""
    delta_per_k: float
    """What a kelvin adds to δ [1/K]."""


@dataclass(frozen=True)
class Imaginary:
    """The channel of Im(Z) beside that of Re(Z), and the ends of its converter."""

    channel: str
    rail_low: float
    rail_high: float


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
    meter_ohm: float | None = None
    """Input resistance of the instrument; None: infinite."""
    reference_ohm: float | None = None
    """Of a divider."""
    leads: Leads | None = None
    """None: no copper whose warming matters."""
    imaginary: Imaginary | None = None
    """Of an impedance."""


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
    output_u_per_k: float = 0.0
    """Of the slope of A, beside the relative `output_u` [δ/K]."""
    freedom: float = inf
    """Degrees of freedom of what is known of A and c_k."""


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
    tau_u: float = 0.0
    """Relative."""
    freedom: float = inf
    """Degrees of freedom of `output_u`."""


@dataclass(frozen=True)
class Ageing:
    """Drift of the unloaded gauge."""

    kind: str
    per_year: float
    per_year_u: float
    start_us: int
    freedom: float = inf


@dataclass(frozen=True)
class Expected:
    """What the companion's own calibration makes of the climate: A(T) + H(w) + ageing."""

    reference_c: float
    output: tuple[float, ...]
    film: Film | None
    ageing: Ageing | None


@dataclass(frozen=True)
class Companion:
    """The unstrained gauge beside: the channel and signal from which its δ comes."""

    channel: str
    signal: Signal
    reading_u: float
    expected: Expected | None = None
    """None: the companion is not compared with its calibration."""


@dataclass(frozen=True)
class Creep:
    """The Prony series; tuples of one length, empty: no creep."""

    fractions: tuple[float, ...] = ()
    fractions_u: tuple[float, ...] = ()
    taus: tuple[float, ...] = ()
    freedom: float = inf


@dataclass(frozen=True)
class ZeroOffset:
    """The zero in force."""

    start_us: int
    offset: float
    offset_u: float
    strain: float = 0.0
    """That the member was at [m/m]."""
    moisture: float | None = None
    """w at the zero; None: not told."""
    moisture_u: float = 0.0


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
    calibration: str = ""
    """Id and valid_from: gauges that share them share what is not known of the curve."""
    between_shared: float = 0.0
    """Share of `between`² that is of the batch's mean and so common to its gauges: 1/(n + 1)."""


@dataclass(frozen=True)
class Shared:
    """What climate and age give to all arms of a bridge alike: it changes the gain, no more."""

    output: tuple[float, ...]
    """Of A in δ/Kⁱ."""
    output_u: float
    ageing: Ageing | None


@dataclass(frozen=True, eq=False)
class StrainModel:
    """All of a segment that only a strain gauge has."""

    curve: GaugeCurve | BridgeCurve
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
    shared: Shared | None = None
    """Of several active arms: A, H and ageing are in here and in `film`, and come off nowhere
    else."""

    @property
    def followed_film(self) -> Film | None:
        """The film whose moisture is taken off, else the one the companion is compared by."""
        if self.film is not None or self.companion is None or self.companion.expected is None:
            return self.film
        return self.companion.expected.film


@dataclass(frozen=True)
class LinearModel:
    """value = scale·(reading - unstrained), in the point's unit."""

    scale: float
    scale_u: float
    unstrained: float
    unstrained_u: float
    rail_low: float
    rail_high: float


@dataclass(frozen=True)
class ShuntModel:
    """A resistor that is laid across the arm of a gauge now and then, and what it must do."""

    channel: str
    """Of the gauge itself."""
    signal: Signal
    shunt_ohm: float
    reading_u: float
    """Standard uncertainty of one δ from the instrument."""


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
    shunt: ShuntModel | None = None
    warm_up_us: int = 0
    """So long after a gap in the readings the excitation still warms the gauge."""


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
    spike: float | None = None
    slice_us: int | None = None
    """A tenth of the span of the noise test."""
    noise_count: int = 2
    """Fewest values of which a standard deviation is taken."""
    noise_low: float | None = None
    noise_high: float | None = None
    companion: float | None = None
    """As strain [m/m]."""
    leakage_drop: float | None = None
    clock_us: int | None = None
    """Longest distance of readings whose sequence goes on."""
    unit: str = ""
    """Of the point's value, for words."""


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
        """Whether moisture is followed in any segment."""
        return any(s.strain is not None and s.strain.followed_film for s in self.segments)


@dataclass(frozen=True, eq=False)
class Plan:
    """All gauges of a structure, by point, then by start; made by `plan.compile_plan`."""

    gauges: tuple[Gauge, ...]
    elements: tuple[Element, ...] = ()
    """Rosettes and sections, which put points together."""

    @cached_property
    def joined_channels(self) -> frozenset[str]:
        """Channels whose values are kept for joining: climate and companions."""
        names: set[str | None] = set()
        for segment in (s for g in self.gauges for s in g.segments):
            joins = segment.joins
            names |= {joins.temperature, joins.humidity, joins.air_temperature}
            names |= _beside(segment.signal)
            if segment.strain is not None and segment.strain.companion is not None:
                names.add(segment.strain.companion.channel)
                names |= _beside(segment.strain.companion.signal)
            if segment.shunt is not None:
                names.add(segment.shunt.channel)
                names |= _beside(segment.shunt.signal)
        return frozenset(name for name in names if name)

    @cached_property
    def channels(self) -> frozenset[str]:
        """Every channel that the chain reads."""
        return self.joined_channels | {gauge.channel for gauge in self.gauges}

    @cached_property
    def longest_age_us(self) -> int:
        """Longest age at which any gauge still uses a joined value."""
        return max((s.joins.age_us for g in self.gauges for s in g.segments), default=0)


def _beside(signal: Signal | None) -> set[str | None]:
    """Channels that a signal needs beside its own."""
    if signal is None:
        return set()
    beside = (signal.leads, signal.imaginary)
    return {part.channel for part in beside if part is not None}
