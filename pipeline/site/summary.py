"""
The text by which a person checks a correct configuration against the drawing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from fnmatch import fnmatchcase

from pipeline.site.describe_derived import derived_rows
from pipeline.site.models import (
    Broker,
    Calibration,
    Channel,
    Placement,
    Point,
    Rule,
    Site,
    Storage,
    Structure,
)

_NEVER = datetime.max.replace(tzinfo=UTC)


def describe(site: Site) -> str:
    """
    What is installed and how it is watched, in aligned columns; positions in m, times in UTC.

    "Now" is the placement without an end: no clock is read, so a calibration is shown with its
    expiry and not called expired.
    """
    lines = [f"{_line(site.name)}  ({site.timezone}, configuration {site.sha256[:12]})", ""]
    settings = [("broker", _broker(site.broker)), ("storage", _storage(site.storage))]
    if site.mail is not None:
        mail = site.mail
        text = f"{mail.host}:{mail.port}, security {mail.security}, from {mail.sender}"
        settings.append(("mail", text))
    lines += _columns(settings, 2)
    lines += ["", "People"]
    rows = [
        (p.id, _line(p.name), ", ".join(p.roles), " then ".join(p.deliveries), p.email or "")
        for p in site.people
    ]
    lines += _columns(rows, 2)
    for structure in site.structures:
        lines += ["", *_structure(structure)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _broker(broker: Broker) -> str:
    tls = "TLS" if broker.tls else "no TLS"
    user = f"user {broker.username}" if broker.username else "no user"
    where = f"{broker.host}:{broker.port}"
    return f"{where}, MQTT {broker.protocol}, topics {broker.prefix}/…, {tls}, {user}"


def _storage(storage: Storage) -> str:
    kept = ", ".join(
        f"{kind} {f'{days} days' if days else 'for good'}"
        for kind, days in (
            ("raw", storage.keep_raw_days),
            ("results", storage.keep_results_days),
            ("summary", storage.keep_summary_days),
            ("superseded", storage.keep_superseded_days),
        )
    )
    return f"{storage.folder}, windows of {storage.window_h} h, kept: {kept}"


def _structure(structure: Structure) -> Iterator[str]:
    expansion = f"{structure.expansion_1e6_per_k:g}e-6/K"
    yield f"Structure {structure.id}: {_line(structure.name)}"
    yield f"  of {_line(structure.material)}, expansion {expansion}"
    yield from _columns([(f"node {n.id}", _line(n.description)) for n in structure.nodes], 2)
    members = dict.fromkeys(point.member for point in structure.points)
    for member in members:
        yield ""
        yield f"  Member {_line(member)}"
        for point in structure.points:
            if point.member == member:
                yield from _point(structure, point)
    if structure.rosettes or structure.sections:
        yield ""
        yield "  Derived points"
    for head, rows in derived_rows(structure):
        yield f"    {head}"
        yield from _columns(rows, 6)
    used = {placement.channel for placement in structure.placements}
    rest = [channel for channel in structure.channels if channel.id not in used]
    if rest:
        yield ""
        yield "  Channels without a gauge"
        yield from _columns([(channel.id, _channel(channel)) for channel in rest], 4)
    yield ""
    yield "  Rules"
    for rule in structure.rules:
        yield from _rule(structure, rule)


def _point(structure: Structure, point: Point) -> Iterator[str]:
    axes = (("x", point.x_m), ("y", point.y_m), ("z", point.z_m))
    position = "  ".join(f"{axis} {at:.3f}" for axis, at in axes if at is not None)
    where = f"{position} m" if position else "position not recorded"
    watched = f"{point.watched} strain" if point.quantity == "strain" else point.quantity
    yield f"    {point.id}: {watched} in {point.unit}"
    rows = [("at", f"{where}, {_line(point.direction) or 'direction not recorded'}")]
    placements = [p for p in structure.placements if p.point == point.id]
    ordered = sorted(placements, key=lambda p: p.valid_from)
    present = [p for p in ordered if p.valid_to is None]
    if not present:
        ended = f"none since {_time(ordered[-1].valid_to)}" if ordered else "none"
        rows.append(("gauge", ended))
    for placement in present:
        rows += _placement(structure, point, placement)
    rows += [
        ("before", f"gauge {p.serial}, {_time(p.valid_from)} to {_time(p.valid_to)}")
        for p in ordered
        if p.valid_to is not None
    ]
    yield from _columns(rows, 6)


def _placement(
    structure: Structure, point: Point, placement: Placement
) -> Iterator[tuple[str, str]]:
    free = ", on a free piece" if placement.free else ""
    since = _time(placement.valid_from)
    yield "gauge", f"{placement.serial}, batch {placement.batch}, since {since}{free}"
    yield "wired", _wiring(structure, placement)
    channel = next((c for c in structure.channels if c.id == placement.channel), None)
    if channel is not None:
        yield "channel", f"{channel.id}, {_channel(channel)}"
    history = _history(structure, placement)
    for calibration in history:
        yield "calibration", _calibration(point, calibration)
    yield "climate", _climate(placement, history)
    if point.quantity == "strain":
        yield "zero", _zero(structure, placement)


_OHMS = {
    "lead_ohm": "lead",
    "nominal_ohm": "nominal",
    "leakage_ohm": "leakage",
    "meter_ohm": "input",
    "reference_ohm": "reference",
    "shunt_ohm": "shunt check with",
}


def _wiring(structure: Structure, placement: Placement) -> str:
    units = {channel.id: channel.unit for channel in structure.channels}
    unit = units.get(placement.channel, "")
    parts: list[str] = [placement.wiring]
    if placement.unstrained is not None:
        unit = "V/V" if unit == "/" else unit
        parts.append(f"unstrained {placement.unstrained:.10g} {unit}")
    if placement.unstrained_temperature_c is not None:
        parts[-1] += f" at {placement.unstrained_temperature_c:g} °C"
    if placement.unstrained_humidity_rh is not None:
        parts[-1] += f" and {placement.unstrained_humidity_rh:g} %RH"
    for key, word in _OHMS.items():
        if getattr(placement, key):
            parts.append(f"{word} {getattr(placement, key):g} Ohm")
    if placement.poisson is not None:
        parts.append(f"Poisson's ratio {placement.poisson:g}")
    return ", ".join(parts)


def _channel(channel: Channel) -> str:
    return f"node {channel.node}, {channel.kind} in {channel.unit}, every {channel.interval_s:g} s"


def _history(structure: Structure, placement: Placement) -> list[Calibration]:
    named = [c for c in structure.calibrations if c.id == placement.calibration]
    before = [c for c in named if c.valid_from <= placement.valid_from]
    end = placement.valid_to or _NEVER
    return [*before[-1:], *(c for c in named if placement.valid_from < c.valid_from < end)]


def _calibration(point: Point, calibration: Calibration) -> str:
    if calibration.curve is not None:
        low, high = calibration.curve.range_um_m
        shape = f"{calibration.curve.kind}, {low:g} to {high:g} µm/m"
    else:
        shape = f"{calibration.scale:g} {point.unit} per unit of the channel"
    valid = f"valid from {_time(calibration.valid_from)}, expires {_time(calibration.expires)}"
    return f"{calibration.id}, {shape}, {valid}"


def _climate(placement: Placement, history: Sequence[Calibration]) -> str:
    if placement.compensation == "none":
        return f"not taken off: {_line(placement.compensation_reason)}"
    if placement.compensation == "companion":
        return f"companion {placement.companion}; yields mechanical strain"
    tables = [calibration.temperature for calibration in history if calibration.temperature]
    yields = " then ".join(dict.fromkeys(table.yields for table in tables))
    channels = [f"temperature {placement.temperature_channel}"]
    if placement.humidity_channel:
        air = placement.air_temperature_channel or "as warm as the surface"
        channels.append(f"humidity {placement.humidity_channel} (air: {air})")
    age = f"not older than {placement.climate_age_s:g} s"
    return f"model; yields {yields} strain; {', '.join(channels)}, {age}"


def _zero(structure: Structure, placement: Placement) -> str:
    zeros = [
        zero
        for zero in structure.zeros
        if zero.serial == placement.serial and zero.valid_from >= placement.valid_from
    ]
    if not zeros:
        return "none: relative only until its first zero"
    last = max(zeros, key=lambda zero: (zero.valid_from, zero.recorded))
    known = f"{last.known_strain_um_m:g} µm/m at {last.temperature_c:g} °C"
    return f"{known} from {_time(last.valid_from)}, by {_line(last.by)}: {_line(last.reason)}"


def _rule(structure: Structure, rule: Rule) -> Iterator[str]:
    watched = [
        point.id
        for point in structure.points
        if any(fnmatchcase(point.id, pattern) for pattern in rule.points)
    ]
    where = "the station" if rule.kind == "station" else ", ".join(watched)
    yield f"    {rule.id}: {rule.kind}, priority {rule.priority}" + (
        ", latching" if rule.latching else ""
    )
    rows = [("watches", where), ("when", _condition(rule)), ("basis", _line(rule.basis))]
    if rule.compare == "plain":
        rows.append(("plain", _line(rule.compare_reason)))
    told = f"{', '.join(rule.tell)}; respond within {rule.respond_within_min:g} min"
    rows += [("response", _line(rule.response)), ("tells", told)]
    yield from _columns(rows, 6)


def _condition(rule: Rule) -> str:
    if rule.kind == "level":
        limits = [
            f"{word} {limit:g} {rule.unit}"
            for word, limit in (("above", rule.high), ("below", rule.low))
            if limit is not None
        ]
        compare = "value ± 2u" if rule.compare == "guarded" else "plain value"
        text = f"{compare} {' or '.join(limits)}, deadband {rule.deadband:g}"
    elif rule.kind == "silent":
        text = f"no reading for {rule.after_s:g} s"
    else:
        text = "a gauge is at fault" if rule.kind == "gauge_fault" else "the station is at fault"
    return f"{text}, on-delay {rule.on_delay_s:g} s, off-delay {rule.off_delay_s:g} s"


def _columns(rows: Sequence[Sequence[str]], indent: int) -> list[str]:
    """Rows as lines with every column but the last as wide as its longest cell."""
    if not rows:
        return []
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    return [
        " " * indent
        + "  ".join([*(cell.ljust(w) for cell, w in zip(row, widths, strict=False)), row[-1]])
        for row in rows
    ]


def _time(time: datetime | None) -> str:
    if time is None:
        return "now"
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _line(text: str) -> str:
    return " ".join(text.split())
