"""
What a simulated site truly is: climate, batches, structures, gauges; read from scenarios/*.toml.

Lengths in m, forces in N where not named otherwise, temperatures in °C, times in µs UTC or s.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from pipeline.errors import ConfigError, Mistake

SCENARIO_FOLDER = Path(__file__).parent / "scenarios"
REFERENCE_C = 20.0
REFERENCE_MOISTURE = 0.5
FOREVER_US = 2**62

T = TypeVar("T")


@dataclass(frozen=True)
class Climate:
    """Harmonics and weather of the air; hours are UTC, `_h` time constants of AR(1) noise."""

    mean_c: float
    annual_c: float
    warmest_day: float
    diurnal_c: float
    warmest_hour_utc: float
    second_c: float
    weather_c: float
    weather_h: float
    dew_below_c: float
    dew_weather_c: float
    dew_weather_h: float
    sunrise_utc: float
    sunset_utc: float


@dataclass(frozen=True)
class Spread:
    """Relative standard deviation between gauges of a batch; the last in µm/m per K."""

    factor: float
    output: float
    moisture: float
    lag: float
    creep: float
    output_um_m_per_k: float


@dataclass(frozen=True)
class Batch:
    """Mean behaviour of a lot; a foil lot has `thermal_output_um_m`, a printed one `output`."""

    id: str
    curve: tuple[float, ...]
    """δ per ε, ε², ε³."""
    factor_per_k: float
    spread: Spread
    levels_off_below: float = -1.0
    levels_off_above: float = 1.0
    """Strains beyond which the film saturates, m/m."""
    levels_off_over: float = 1.0
    output: tuple[float, ...] = ()
    """δ per Kⁱ on a free coupon of the structure's material: its expansion is inside."""
    moisture: tuple[float, ...] = ()
    """δ per (w - 0.5)ⁱ."""
    lag_s: float = 1.0
    lag_activation_k: float = 0.0
    creep_fraction: tuple[float, ...] = ()
    creep_s: tuple[float, ...] = ()
    ageing: str = "linear"
    ageing_per_year: float = 0.0
    thermal_output_um_m: tuple[float, ...] = ()
    thermal_output_factor: float = 2.0
    thermal_output_expansion: float = 0.0
    """1e-6/K, of the material on which the sheet was measured."""


@dataclass(frozen=True)
class Gauge:
    """One gauge as it truly is; factors multiply the batch's mean."""

    serial: str
    batch: str
    point: str
    channel: str
    wiring: str
    resistance_ohm: float
    """Unstrained at 20 °C and 50 %RH."""
    start_us: int
    end_us: int = FOREVER_US
    factor: float = 1.0
    output: float = 1.0
    moisture: float = 1.0
    lag: float = 1.0
    creep: float = 1.0
    ageing: float = 1.0
    output_um_m_per_k: float = 0.0
    imbalance: float = 0.0
    """Bridge completion is `resistance_ohm`·(1 - imbalance)."""
    offset: float = 0.0
    """δ that bonding left behind."""
    lead_ohm: float = 0.0
    leakage_ohm: float | None = None


@dataclass(frozen=True)
class Sensor:
    """A thermometer, hygrometer or linear transducer; value = scale·(reading - unstrained)."""

    serial: str
    point: str
    channel: str
    quantity: str
    place: str
    scale: float = 1.0
    unstrained: float = 0.0
    per_k: float = 0.0
    per_um_m: float = 0.0
    follows: str | None = None
    """Strain point whose load strain it answers to."""


@dataclass(frozen=True)
class Channel:
    """One name on the wire with its node, noise (standard deviation), step and converter ends."""

    id: str
    node: str
    unit: str
    interval_s: float
    noise: float
    step: float
    low: float
    high: float
    bias: float = 0.0


@dataclass(frozen=True)
class Place:
    """A spot with a temperature of its own: lag behind the air, solar gain, night cooling."""

    id: str
    lag_s: float
    sun_c: float
    night_c: float


@dataclass(frozen=True)
class Point:
    """A strain point: x along the spans, `lever_m` below the neutral axis (sagging stretches)."""

    id: str
    x_m: float
    lever_m: float
    place: str
    restrained: float
    """Share of the free expansion that is held back."""
    girder: str | None = None
    """None: carries no load."""
    expansion_1e6_per_k: float | None = None


@dataclass(frozen=True)
class Overload:
    """The vehicle of an `overload` event."""

    total_kn: float
    axles: int
    spacing_m: float
    stands_at_m: float
    """Where the middle of its axles stops."""


@dataclass(frozen=True)
class Structure:
    """A beam over one or two spans and all that is fixed to it."""

    id: str
    spans_m: tuple[float, ...]
    youngs_modulus_pa: float
    second_moment_m4: float
    expansion_1e6_per_k: float
    zero_temperature_c: float
    girders: Mapping[str, float]
    """Share of a vehicle's weight that each girder carries."""
    traffic_per_h: float
    overload: Overload
    place: tuple[Place, ...] = field(default=())
    point: tuple[Point, ...] = field(default=())
    channel: tuple[Channel, ...] = field(default=())
    gauge: tuple[Gauge, ...] = field(default=())
    sensor: tuple[Sensor, ...] = field(default=())

    def point_named(self, name: str) -> Point:
        """The strain point of that id; KeyError if there is none."""
        return {point.id: point for point in self.point}[name]


@dataclass(frozen=True)
class Scenario:
    """A site as it truly is."""

    name: str
    prefix: str
    climate: Climate
    batches: Mapping[str, Batch]
    structures: Mapping[str, Structure]


def read_scenario(source: str | Path = "quillmere") -> Scenario:
    """
    The scenario of that name in the package, or of that TOML file.

    Raises:
        ConfigError: no such file, no TOML, or unknown or missing keys; lists every one.
    """
    path = Path(source)
    if path.suffix != ".toml":
        path = SCENARIO_FOLDER / f"{source}.toml"
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ConfigError(
            (
                Mistake(
                    file=path.name,
                    place="",
                    found=str(error),
                    expected="a scenario in TOML",
                    remedy="Name one of " + ", ".join(scenario_names()) + ", or a TOML file.",
                ),
            )
        ) from error
    return _scenario(table, path.name)


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that come with the package."""
    return tuple(sorted(path.stem for path in SCENARIO_FOLDER.glob("*.toml")))


def _scenario(table: dict[str, Any], file: str) -> Scenario:
    mistakes: list[Mistake] = []
    batches: dict[str, Batch] = {}
    for row in table.pop("batch", []):
        spread = _record(Spread, row.pop("spread", {}), file, f"batch {row.get('id')}", mistakes)
        batch = _record(Batch, {**row, "spread": spread}, file, "batch", mistakes)
        if batch is not None:
            batches[batch.id] = batch
    structures: dict[str, Structure] = {}
    for row in table.pop("structure", []):
        structure = _structure(row, file, mistakes)
        if structure is not None:
            structures[structure.id] = structure
    climate = _record(Climate, table.pop("climate", {}), file, "climate", mistakes)
    site = {**table, "climate": climate, "batches": batches, "structures": structures}
    scenario = _record(Scenario, site, file, "", mistakes)
    if mistakes or scenario is None:
        raise ConfigError(tuple(mistakes))
    return scenario


def _structure(row: dict[str, Any], file: str, mistakes: list[Mistake]) -> Structure | None:
    kinds: dict[str, type[Any]] = {
        "place": Place,
        "point": Point,
        "channel": Channel,
        "gauge": Gauge,
        "sensor": Sensor,
    }
    built = dict(row)
    built["overload"] = _record(Overload, row.get("overload", {}), file, "overload", mistakes)
    for name, kind in kinds.items():
        made = []
        for item in row.get(name, []):
            values = dict(item)
            for key, target in (("from", "start_us"), ("to", "end_us")):
                if key in values:
                    values[target] = microseconds(values.pop(key))
            where = f"{row.get('id')}, {name} {item.get('id') or item.get('serial')}"
            made.append(_record(kind, values, file, where, mistakes))
        built[name] = tuple(made)
    return _record(Structure, built, file, f"structure {row.get('id')}", mistakes)


def _record(
    kind: type[T], values: Mapping[str, Any], file: str, place: str, mistakes: list[Mistake]
) -> T | None:
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]  # T is a dataclass here
    required = {
        name for name, f in known.items() if f.default is MISSING and f.default_factory is MISSING
    }
    unknown, missing = set(values) - set(known), required - set(values)
    for name in sorted(unknown):
        mistakes.append(Mistake(file, place, f'key "{name}"', "a known key", "Take it out."))
    for name in sorted(missing):
        mistakes.append(Mistake(file, place, "no such key", f'"{name}"', "Add it."))
    if unknown or missing:
        return None
    plain = {key: tuple(v) if isinstance(v, list) else v for key, v in values.items()}
    return kind(**plain)


def microseconds(moment: datetime) -> int:
    """
    µs since 1970 UTC of an aware moment, exactly.

    Raises:
        ValueError: the moment has no zone.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no zone; write it with Z for UTC")
    epoch = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    span = moment - epoch
    return (span.days * 86_400 + span.seconds) * 1_000_000 + span.microseconds
