"""
The whole chain for one reading, laid out: every value between the instrument and the flag.

All of it is read off a `Moment`, which the chain itself made. The terms in δ are those of strain
taken back through the curve, which is how they add up: with s_0 = indicated and
s_k = s_{k-1} - term_k,

    δ_k = F(s_{k-1}) - F(s_k),   F(s_0) = δ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.blocks import TERMS
from pipeline.derive.budget import components_of
from pipeline.derive.explain_signal import Quantity, linear_quantities, signal_quantities
from pipeline.derive.gauges import StrainModel
from pipeline.derive.moment import Moment, Row
from pipeline.derive.quality import Explanation as Finding
from pipeline.derive.quality import explanations
from pipeline.physics.uncertainty import combined, half_u95

MICRO = 1e6


@dataclass(frozen=True)
class Term:
    """One correction; None where it does not apply, or where what it needs was missing."""

    name: str
    delta: float | None
    um_m: float | None
    left_um_m: float
    """Strain that is left when it and those before it are taken off."""
    note: str


@dataclass(frozen=True)
class Share:
    """One component of the uncertainty."""

    name: str
    u: float
    """Standard uncertainty, in the unit of the value."""
    freedom: float | None
    """Degrees of freedom; None: well known."""
    share: float
    """Of the combined variance, 0..1."""


@dataclass(frozen=True)
class Budget:
    """Uncertainty of the value, term by term; in the unit of the value."""

    shares: tuple[Share, ...]
    combined: float
    freedom: float | None
    """ν_eff (Welch-Satterthwaite); None: infinite."""
    factor: float
    """t for 95 % at ν_eff."""
    u95: float
    u: float
    """U95/2, as it stands in the archive."""


@dataclass(frozen=True)
class Account:
    """All that `explain` tells of a reading itself; where things lie and who did what is added."""

    serial: str
    channel: str
    point: str
    quantity: str
    time_us: int
    signal: tuple[Quantity, ...]
    climate: tuple[Quantity, ...]
    terms: tuple[Term, ...]
    strains: tuple[Quantity, ...]
    budget: Budget | None
    """None: the reading failed, there is no value."""
    findings: tuple[Finding, ...]
    row: Row


def account_of(moment: Moment) -> Account:
    """What the chain did with a reading."""
    gauge, model = moment.gauge, moment.segment.strain
    is_valued = moment.row["value"] is not None
    climate: tuple[Quantity, ...] = ()
    terms: tuple[Term, ...] = ()
    strains: tuple[Quantity, ...] = ()
    if model is None:
        signal = linear_quantities(moment)
        budget = _linear_budget(moment) if is_valued else None
    else:
        signal, climate = signal_quantities(moment), _climate(moment, model)
        terms = _terms(moment, model) if is_valued else ()
        strains = _strains(moment, model) if is_valued else ()
        budget = _budget(moment, model) if is_valued else None
    findings = explanations(gauge, moment.block, len(moment.block) - 1)
    return Account(
        serial=gauge.serial,
        channel=gauge.channel,
        point=gauge.point,
        quantity=gauge.quantity,
        time_us=moment.time_us,
        signal=signal,
        climate=climate,
        terms=terms,
        strains=strains,
        budget=budget,
        findings=findings,
        row=moment.row,
    )


def _climate(moment: Moment, model: StrainModel) -> tuple[Quantity, ...]:
    joins, limit_s = moment.segment.joins, moment.segment.joins.age_us * 1e-6
    found: list[Quantity] = []
    for key, label, channel, unit in (
        ("temperature", "temperature at the gauge", joins.temperature, "°C"),
        ("humidity", "humidity of the air", joins.humidity, "%RH"),
        ("air_temperature", "temperature of the air", joins.air_temperature, "°C"),
    ):
        if channel is None:
            continue
        sample = moment.sample(channel)
        if sample is None:
            found.append(Quantity(key, label, None, unit, f"{channel}: never heard"))
            continue
        used = sample.age_s <= limit_s
        note = f"{channel}, {sample.age_s:.6g} s old, limit {limit_s:g} s"
        if not used:
            note += ": TOO OLD, NOT USED"
        found.append(Quantity(key, label, sample.value if used else None, unit, note))
    return (*found, *_film(moment, model), *_companion(moment, model))


def _film(moment: Moment, model: StrainModel) -> tuple[Quantity, ...]:
    if model.film is None:
        return ()
    film, state = model.film, moment.after.film
    found = []
    if state is not None:
        age_s = (moment.time_us - state.time) * 1e-6
        note = f"φ, of the humidity {age_s:.6g} s before"
        found += [
            Quantity("surface_humidity", "humidity at the film's surface", state.drive, "", note),
            Quantity("film_tau", "time constant of the film", state.tau, "s", ""),
        ]
    reference = f"reference {film.reference:g}"
    w, u = moment.column("film_moisture"), moment.column("film_moisture_u")
    return (
        *found,
        Quantity("film_moisture", "moisture of the film, w", w, "", reference),
        Quantity("film_moisture_u", "standard uncertainty of w", u, "", ""),
    )


def _companion(moment: Moment, model: StrainModel) -> tuple[Quantity, ...]:
    if not model.has_companion:
        return ()
    label = "δ of the companion"
    if model.companion is None:
        return (Quantity("companion_delta", label, None, "", "not installed at that time"),)
    sample = moment.sample(model.companion.channel)
    note = f"{model.companion.channel}: never heard"
    if sample is not None:
        note = f"{sample.channel}, {sample.age_s:.6g} s old"
    return (Quantity("companion_delta", label, moment.column("companion_delta"), "", note),)


def _terms(moment: Moment, model: StrainModel) -> tuple[Term, ...]:
    left = rest = float(moment.row["indicated"] or 0.0)
    expansion = _expansion(moment, model) if model.thermal.is_total else 0.0
    found = []
    for name in TERMS:
        um_m = moment.row[name]
        if not isinstance(um_m, float):
            found.append(Term(name, None, None, left, _why_absent(name, model)))
            continue
        note, curved = "", um_m
        if name == "thermal_output" and model.thermal.is_total:
            note = f"of it expansion {expansion:+.3f} µm/m, which is not of δ"
            curved = um_m - expansion
        before, after = model.curve.delta(np.array([rest, rest - curved]) / MICRO)
        rest, left = rest - curved, left - um_m
        found.append(Term(name, float(before - after), um_m, left, note))
    return tuple(found)


def _why_absent(name: str, model: StrainModel) -> str:
    """Why a term is null; a value that was missing is told by its test as well."""
    applies = {
        "thermal_output": bool(model.thermal.output) or model.thermal.is_total,
        "sensitivity": model.thermal.factor_per_k != 0.0,
        "moisture": model.film is not None,
        "companion": model.has_companion,
        "creep": bool(model.creep.fractions),
        "ageing": model.ageing is not None,
        "zero": model.zero is not None,
    }[name]
    if applies:
        return "NOT TAKEN OFF: what it needs was missing"
    if name == "zero":
        return "no zero yet: relative only"
    if model.has_companion and name in ("thermal_output", "moisture", "ageing"):
        return "taken off with the companion"
    return "not of this gauge"


def _expansion(moment: Moment, model: StrainModel) -> float:
    """α·(T - T_zero) [µm/m]; 0 where there is no temperature."""
    temperature = moment.column("temperature")
    if temperature is None:
        return 0.0
    return model.thermal.expansion * (temperature - model.thermal.zero_c) * MICRO


def _strains(moment: Moment, model: StrainModel) -> tuple[Quantity, ...]:
    thermal, row = model.thermal, moment.row
    note = f"mechanical + α·(T - T_zero), α = {thermal.expansion * MICRO:g}e-6 1/K, "
    note += f"T_zero = {thermal.zero_c:g} °C"
    tangent = float(model.curve.slope(moment.column("strain") or 0.0))
    gain = moment.column("gain")
    return (
        Quantity("indicated", "indicated: by the curve alone", row["indicated"], "µm/m", ""),
        Quantity("mechanical", "mechanical: all terms off", row["mechanical"], "µm/m", ""),
        Quantity("total", "total", row["total"], "µm/m", note),
        Quantity("tangent", "tangent factor dF/dε there", tangent, "", ""),
        Quantity("gain", "1 + c_k·(T - T_ref)", gain, "", f"T_ref {thermal.reference_c:g} °C"),
    )


def _budget(moment: Moment, model: StrainModel) -> Budget:
    block = moment.block
    last = slice(len(block) - 1, len(block))
    columns = {name: column[last] for name, column in block.columns.items()}
    one = type(block)(block.time[last], block.tests[last], block.unrun[last], columns)
    slope = abs(float(model.curve.slope(one["strain"])[0])) * float(one["gain"][0])
    scaled = {
        name: (float(np.broadcast_to(np.asarray(variance), (1,))[0]) * (MICRO / slope) ** 2, nu)
        for name, (variance, nu) in components_of(one, moment.segment).items()
    }
    return _summed(scaled)


def _linear_budget(moment: Moment) -> Budget:
    model, reading = moment.segment.linear, moment.column("reading")
    if model is None or reading is None:
        raise ValueError("a linear reading without a model or a value has no budget")
    scale = (model.scale_u * (reading - model.unstrained)) ** 2
    rest = (model.scale * model.unstrained_u) ** 2
    return _summed({"scale": (scale, float("inf")), "unstrained": (rest, float("inf"))}, bare=True)


def _summed(parts: dict[str, tuple[float, float]], *, bare: bool = False) -> Budget:
    """`bare`: the archive's u of a linear sensor is the combined one as it is."""
    u, freedom = (float(one[0]) for one in combined(parts.values(), 1))
    wide = 2.0 * float(half_u95(parts.values(), 1)[0])
    factor = 2.0 if bare or u == 0.0 else wide / u
    shares = [
        Share(name, float(np.sqrt(part)), _known(nu), part / u**2 if u > 0.0 else 0.0)
        for name, (part, nu) in parts.items()
        if part > 0.0
    ]
    shares.sort(key=lambda one: -one.share)
    return Budget(tuple(shares), u, _known(freedom), factor, factor * u, 0.5 * factor * u)


def _known(freedom: float) -> float | None:
    return float(freedom) if np.isfinite(freedom) else None
