"""
The models of a site: what is installed where, how it is calibrated, who watches it.

Numbers that are not SI carry their unit in the name. All times are aware, `to` is exclusive.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pipeline.site.derived_points import Rosette, Section
from pipeline.site.electrical import Electrical
from pipeline.site.model import Model as Model

Role = Literal["viewer", "operator", "engineer"]
Delivery = Literal["log", "mail", "mqtt"]
Priority = Literal["low", "medium", "high", "critical"]
ChannelKind = Literal["bridge", "resistance", "temperature", "humidity", "linear"]
Wiring = Literal[
    "quarter_2wire",
    "quarter_3wire",
    "half_bending",
    "half_poisson",
    "full_bending",
    "full_poisson_bending",
    "full_poisson_axial",
    "resistance_4wire",
    "resistance_2wire",
    "divider",
    "impedance",
    "linear",
]


class Tls(Model):
    """TLS towards the broker: own authority and, where the broker asks for it, a client pair."""

    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None


class Broker(Model):
    """The MQTT broker; `protocol` "3.1.1" only for brokers that know no MQTT 5."""

    host: str
    port: int = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    prefix: str = "spanwarden"
    username: str | None = None
    password_env: str | None = None
    tls: Tls | None = None
    session_expiry_h: float = 168.0
    receive_maximum: int = 1000


class Storage(Model):
    """Where and how long data are kept; 0 days means for good."""

    folder: str = "data"
    """Relative to the folder of site.toml, or absolute."""
    window_h: Literal[1, 24] = 24
    seal_every_min: float = 10.0
    final_after_min: float = 60.0
    settle_s: float = 120.0
    """A closed window is final only when nothing came for it for so long."""
    group_commit_ms: float = 100.0
    keep_raw_days: int = 0
    keep_results_days: int = 0
    keep_summary_days: int = 0
    keep_superseded_days: int = 400
    quarantine_mb: float = 64.0
    minimum_free_mb: float = 500.0
    future_tolerance_s: float = 300.0
    oldest_days: float = 400.0


class Mail(Model):
    """The mail server; `security` "none" is for a server on this machine only."""

    host: str
    port: int = 587
    sender: str
    security: Literal["starttls", "tls", "none"] = "starttls"
    username: str | None = None
    password_env: str | None = None
    ca_file: str | None = None
    timeout_s: float = 20.0


class Person(Model):
    """Somebody who is told or who acts; `deliveries` in the order in which they are tried."""

    id: str
    name: str
    email: str | None = None
    roles: tuple[Role, ...]
    deliveries: tuple[Delivery, ...] = ("log",)


class Node(Model):
    """A logger or gateway that publishes on `{prefix}/{structure}/{id}/readings`."""

    id: str
    structure: str
    description: str = ""


class Channel(Model):
    """One name on the wire; unique in its structure, sent by one node only."""

    id: str
    node: str
    kind: ChannelKind
    unit: str
    """SenML registry unit in which the chain wants it: `/`, `Ohm`, `Cel`, `%RH`, `V`, …"""
    interval_s: float
    """Expected distance of readings."""
    rail_low: float | None = None
    rail_high: float | None = None
    """Ends of the converter, in `unit`; at or beyond is an electrical fault."""


class Point(Model):
    """A place on the structure; outlives the gauges glued there."""

    id: str
    structure: str
    member: str
    x_m: float | None = None
    y_m: float | None = None
    z_m: float | None = None
    direction: str = ""
    quantity: str = "strain"
    """`strain`, `temperature`, `humidity`, or the name of a linear quantity: `tilt`, …"""
    unit: str = "µm/m"
    watched: Literal["mechanical", "total"] = "mechanical"
    expansion_1e6_per_k: float | None = None
    modulus_gpa: float | None = None
    section: str = ""
    gross_low: float | None = None
    gross_high: float | None = None
    """In `unit`; outside is suspect."""
    rate_per_s: float | None = None
    flat_s: float | None = None
    flat_tolerance: float = 0.0
    gap_s: float | None = None
    """Longest distance of readings that is no gap; empty: 2.5 intervals of the channel."""
    spike_height: float | None = None
    """In `unit`: how far a value may stand from the mean of the two beside it."""
    noise_s: float | None = None
    """Span over which the standard deviation is taken."""
    noise_low: float | None = None
    noise_high: float | None = None
    """In `unit`: a standard deviation below is attenuated, above is noise."""
    companion_um_m: float | None = None
    """How far the companion may be from what its calibration expects of the climate."""
    leakage_drop: float | None = None
    """Share of its unstrained resistance that a gauge may lose before leakage is suspected."""
    clock_intervals: float | None = None
    """More intervals than this between readings whose sequence goes on: the clock jumped."""
    drift_budget_um_m_per_month: float | None = None
    """Refused by `check`: this release takes no drift off by itself."""


class Placement(Electrical):
    """A gauge (serial) at a point for a time; the rows of gauges.csv."""

    serial: str
    batch: str
    point: str
    valid_from: datetime
    valid_to: datetime | None = None
    channel: str
    wiring: Wiring
    unstrained: float | None = None
    """Unstrained value in the channel's unit: ratio in V/V, resistance in Ohm."""
    unstrained_u: float = 0.0
    unstrained_temperature_c: float | None = None
    unstrained_humidity_rh: float | None = None
    calibration: str
    compensation: Literal["model", "companion", "none"]
    compensation_reason: str = ""
    """Required with `none`."""
    companion: str | None = None
    """Serial of the unstrained gauge."""
    free: bool = False
    """On a free piece of the structure's material: it feels the climate and never the load."""
    temperature_channel: str | None = None
    """At the gauge (surface)."""
    humidity_channel: str | None = None
    """Of the air."""
    air_temperature_channel: str | None = None
    """Where the humidity is measured; empty: the air is as warm as the surface."""
    climate_age_s: float = 900.0
    """A climate value older than this is not used."""


class Curve(Model):
    """δ = F(ε); `coefficients` of ε, ε², ε³ (m/m), or knots for a monotone cubic."""

    kind: Literal["line", "quadratic", "cubic", "monotone"]
    coefficients: tuple[float, ...] = ()
    knots_strain_um_m: tuple[float, ...] = ()
    knots_delta: tuple[float, ...] = ()
    range_um_m: tuple[float, float]
    covariance: tuple[tuple[float, ...], ...]
    """Of the coefficients, or of `knots_delta`."""
    degrees_of_freedom: float
    between_gauges: float = 0.0
    """s_L/k, relative standard deviation of the factor between gauges of the batch."""
    gauges: int = 1
    """How many gauges the curve was found on."""
    reading_u: float = 0.0
    """Standard uncertainty of one δ from the instrument."""


class Temperature(Model):
    """A(T) and c_k; either `output` in δ per Kⁱ (i from 1), or the foil sheet's polynomial."""

    output: tuple[float, ...] = ()
    output_um_m: tuple[float, ...] = ()
    """Thermal output in µm/m per Kⁱ about the reference temperature (i from 1)."""
    output_factor: float | None = None
    """The factor k at which `output_um_m` is stated."""
    output_expansion_1e6_per_k: float | None = None
    """α of the material on which it was measured; None: the bare film."""
    yields: Literal["mechanical", "total"]
    """Which strain is left when A(T) is taken off."""
    factor_per_k: float = 0.0
    """c_k."""
    range_c: tuple[float, float]
    output_u: float = 0.0
    """Relative standard uncertainty of the slope of A."""
    output_u_per_k: float = 0.0
    """Standard uncertainty of the slope of A in δ per K, beside `output_u`: for gauges whose
    slope is matched to nothing."""
    factor_per_k_u: float = 0.0
    degrees_of_freedom: float | None = None
    """Of `output_u`, `output_u_per_k` and `factor_per_k_u`; None: they are well known."""
    sensor_u_k: float = 0.2
    """Standard uncertainty of the temperature channel."""


class Moisture(Model):
    """H(w) in δ per (w - w_ref)ⁱ, i from 1, and its lag."""

    output: tuple[float, ...]
    time_constant_s: float
    activation_k: float = 0.0
    """B in τ = τ_ref·exp(B·(1/T - 1/T_ref)), T in kelvin."""
    output_u: float = 0.0
    """Relative standard uncertainty of H."""
    time_constant_u: float = 0.0
    """Relative standard uncertainty of τ."""
    degrees_of_freedom: float | None = None
    """Of `output_u` and `time_constant_u`; None: they are well known."""
    sensor_u_rh: float = 2.0
    """Standard uncertainty of the humidity channel, %RH."""


class Creep(Model):
    """One term of the Prony series: a held strain adds fraction·(1 - exp(-t/τ))."""

    fraction: float
    fraction_u: float = 0.0
    time_constant_s: float
    degrees_of_freedom: float | None = None
    """Of `fraction_u`; None: it is well known."""


class Ageing(Model):
    """Drift of an unloaded gauge in δ, counted from the placement's start."""

    kind: Literal["linear", "logarithmic"]
    per_year: float
    """δ per year, or per e-fold of (1 + t/year)."""
    per_year_u: float = 0.0
    degrees_of_freedom: float | None = None
    """Of `per_year_u`; None: it is well known."""


class Calibration(Model):
    """From δ to strain for a serial or a batch, with its environment; calibrations/*.toml."""

    id: str
    kind: Literal["strain", "linear"]
    serial: str | None = None
    batch: str | None = None
    author: str
    source: str
    source_sha256: str | None = None
    instrument: str
    recorded: datetime
    valid_from: datetime
    expires: datetime
    reference_temperature_c: float = 20.0
    reference_humidity_rh: float = 50.0
    curve: Curve | None = None
    temperature: Temperature | None = None
    moisture: Moisture | None = None
    creep: tuple[Creep, ...] = ()
    ageing: Ageing | None = None
    scale: float | None = None
    """Linear sensors: value = scale·(reading - unstrained), in the point's unit."""
    scale_u: float = 0.0


class Zero(Model):
    """A person's statement that the member was at a known strain; one line of zeros.jsonl."""

    serial: str
    valid_from: datetime
    recorded: datetime
    offset_delta: float
    """Additive offset in δ that follows from the statement."""
    offset_delta_u: float
    known_strain_um_m: float
    temperature_c: float
    """T_zero, from which total strain counts the expansion."""
    film_moisture: float | None = None
    """w of the film, 0..1, from which errors of the moisture count; None: not told, or no film."""
    film_moisture_u: float = 0.0
    by: str
    reason: str


class Rule(Model):
    """One rule; every one carries its basis and what to do."""

    id: str
    kind: Literal["level", "silent", "gauge_fault", "station"]
    structure: str
    points: tuple[str, ...] = ("*",)
    """Point ids or shell-style patterns; ignored by `station`."""
    high: float | None = None
    low: float | None = None
    unit: str = ""
    """Unit of `high`, `low`, `deadband`; must be the points' own."""
    compare: Literal["guarded", "plain"] = "guarded"
    compare_reason: str = ""
    """Required with `plain`."""
    deadband: float = 0.0
    after_s: float | None = None
    """`silent`: no reading for so long."""
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    priority: Priority
    latching: bool = False
    basis: str
    cause: str
    consequence: str
    response: str
    respond_within_min: float
    tell: tuple[str, ...]


class Structure(Model):
    """All that is installed on one structure; what one worker needs."""

    id: str
    name: str
    material: str
    expansion_1e6_per_k: float
    """α of the structure; a point may have its own."""
    nodes: tuple[Node, ...] = ()
    channels: tuple[Channel, ...] = ()
    points: tuple[Point, ...] = ()
    placements: tuple[Placement, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    zeros: tuple[Zero, ...] = ()
    rules: tuple[Rule, ...] = ()
    rosettes: tuple[Rosette, ...] = ()
    sections: tuple[Section, ...] = ()


class Site(Model):
    """A site: one broker, one storage, some structures and the people who answer for them."""

    name: str
    timezone: str
    """IANA zone of the engineering day."""
    broker: Broker
    storage: Storage
    mail: Mail | None = None
    people: tuple[Person, ...]
    structures: tuple[Structure, ...]
    folder: str
    """Absolute folder of site.toml."""
    sha256: str
    """Of all files read, in order of name: the configuration's hash."""
