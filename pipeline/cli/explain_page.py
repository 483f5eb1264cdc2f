"""
The text of `spanwarden explain`: one reading from top to bottom, as an engineer reads it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.cli.options import cautions, table

Facts = Mapping[str, Any]

WIDTH = 98
FLAGS = {1: "pass", 2: "not evaluated", 3: "suspect", 4: "fail", 9: "missing"}
_LABEL = 34
_VALUE = 14


def page(facts: Facts) -> str:
    """The whole explanation."""
    parts = [_head(facts), _section("1  Raw reading", _raw(facts))]
    goal = "δ" if facts["strains"] or facts["climate"] else "the value"
    parts.append(_section(f"2  From the instrument to {goal}", _quantities(facts["signal"])))
    if facts["climate"]:
        parts.append(_section("3  Climate that the reading saw", _quantities(facts["climate"])))
    if facts["terms"]:
        parts.append(_section("4  From δ to strain, term by term", _terms(facts)))
        parts.append(_section("5  Strains", _quantities(facts["strains"])))
    parts.append(_section("6  Uncertainty", _uncertainty(facts)))
    parts.append(_section("7  Quality", _quality(facts)))
    parts.append(_section("8  What it rests on", _ground(facts)))
    parts.append(_section("9  In the archive", _archive(facts)))
    return "\n\n".join([*parts, cautions()])


def _head(facts: Facts) -> str:
    point, gauge, row = facts["point"], facts["gauge"], facts["row"]
    where = ", ".join(part for part in (point["member"], point["direction"]) if part)
    lines = [
        *textwrap.wrap(f"{point['id']}: {point['quantity']} at {where}", WIDTH),
        *textwrap.wrap(facts["structure"]["name"], WIDTH),
        f"{_time(facts['time'], facts)}, gauge {gauge['serial']} of batch {gauge['batch']}",
        "",
    ]
    value = "no value"
    if row["value"] is not None:
        watched = f", {point['watched']}" if facts["terms"] else ""
        value = f"{row['value']:.3f} ± {2 * row['u']:.3f} {point['unit']} (95 %){watched}"
    flag = f"flag {row['flag']} {FLAGS.get(row['flag'], '')}"
    return "\n".join([*lines, f"  {value}     {flag}"])


def _section(title: str, lines: Iterable[str]) -> str:
    return "\n".join([f"{title} {'─' * (WIDTH - len(title) - 1)}", *lines])


def _line(label: str, value: str, unit: str = "", note: str = "") -> str:
    first = f"  {label:<{_LABEL}}{value:>{_VALUE}} {unit:<5}".rstrip()
    if not note:
        return first
    start = 2 + _LABEL + _VALUE + 7
    folded = textwrap.wrap(note, max(WIDTH - start, 24)) or [""]
    return "\n".join([f"{first:<{start}}{folded[0]}", *(" " * start + rest for rest in folded[1:])])


def _said(label: str, text: str) -> str:
    """A label and a text of any length beside it."""
    indent = " " * (2 + _LABEL // 2 + 3)
    folded = textwrap.wrap(
        text, WIDTH - len(indent), break_long_words=False, break_on_hyphens=False
    )
    head = f"  {label}".ljust(len(indent))
    return "\n".join([head + (folded or [""])[0], *(indent + rest for rest in folded[1:])])


def _quantities(quantities: Sequence[Facts]) -> list[str]:
    return [
        _line(q["label"], _of_unit(q["value"], q["unit"]), q["unit"], q["note"]) for q in quantities
    ]


def _raw(facts: Facts) -> list[str]:
    raw = facts["raw"]
    lines = [
        _said("channel", f"{raw['channel']}, {raw['kind']} in {raw['unit']}, node {raw['node']}")
    ]
    for reading in raw["readings"]:
        sequence = reading["sequence"]
        number = "no sequence" if sequence is None else f"sequence {sequence}"
        used = "" if reading["used"] else "  NOT USED: another value came for this time"
        received = f"received {_time(reading['received'], facts)}, {number}{used}"
        lines.append(_said("value", f"{_number(reading['value'])} {raw['unit']}, {received}"))
    if raw["sealed"]:
        lines.append(_said("file", _path(raw["file"])))
        window = f"{raw['window_from']} to {raw['window_to']}, {raw['status']}"
        lines.append(_said("window", window))
    else:
        lines.append(_said("file", f"NOT SEALED YET: in the spool, {_path(raw['file'])}"))
    return lines


def _terms(facts: Facts) -> list[str]:
    delta = next((q["value"] for q in facts["signal"] if q["key"] == "delta"), None)
    rows = [["indicated (curve alone)", _delta(delta), "", _strain(facts["row"]["indicated"]), ""]]
    for term in facts["terms"]:
        if term["um_m"] is None:
            rows.append([f"- {term['name']}", "–", "–", "", term["note"]])
            continue
        left = _strain(term["left_um_m"])
        row = [f"- {term['name']}", _delta(term["delta"]), _strain(term["um_m"]), left]
        rows.append([*row, term["note"]])
    rows.append(["= mechanical", "", "", _strain(facts["row"]["mechanical"]), ""])
    head = ["", "δ", "taken off, µm/m", "left, µm/m", ""]
    return _indented(table(head, rows, right=(1, 2, 3)))


def _uncertainty(facts: Facts) -> list[str]:
    budget, unit = facts["budget"], facts["point"]["unit"]
    if budget is None:
        return ["  none: the reading failed, there is no value"]
    rows = [
        [
            share["name"],
            f"{share['u']:.4f}",
            _freedom(share["freedom"]),
            f"{100 * share['share']:.1f} %",
        ]
        for share in budget["shares"]
    ]
    head = ["component", f"u, {unit}", "dof", "share of u²"]
    return [
        *_indented(table(head, rows, right=(1, 2, 3))),
        f"  combined u {budget['combined']:.4f} {unit}, ν_eff {_freedom(budget['freedom'])}, "
        f"coverage factor {budget['factor']:.3f}:",
        f"  U95 = {budget['u95']:.4f} {unit}; stated as u = U95/2 = {budget['u']:.4f} {unit}",
    ]


def _quality(facts: Facts) -> list[str]:
    flag = facts["row"]["flag"]
    lines = [f"  flag {flag}: {FLAGS.get(flag, 'unknown')}"]
    for finding in facts["findings"]:
        lines.append(_said(finding["test"], f"(flag {finding['flag']}) {finding['sentence']}"))
    if not facts["findings"]:
        lines.append("  every test that the point requires ran and passed")
    return lines


def _ground(facts: Facts) -> list[str]:
    calibration, zero = facts["calibration"], facts["zero"]
    lines = [_said("calibration", f"{calibration['id']} of {calibration['of']}, "
                   f"{calibration['curve'] or 'linear'}, by {calibration['author']}")]  # fmt: skip
    dates = f"{calibration['valid_from']} to {calibration['expires']}"
    if calibration["is_out_of_date"]:
        dates += ": OUT OF DATE at this reading"
    lines += [
        _said("  valid", f"{dates}; recorded {calibration['recorded']}"),
        _said(
            "  file", f"{_path(calibration['file'])}, sha256 {_short(calibration['file_sha256'])}"
        ),
        _said(
            "  source", f"{calibration['source']}, sha256 {_short(calibration['source_sha256'])}"
        ),
        _said("  instrument", calibration["instrument"]),
    ]
    if calibration["range_um_m"]:
        low, high = calibration["range_um_m"]
        reference = f"reference {calibration['reference_temperature_c']:g} °C"
        reference += f", {calibration['reference_humidity_rh']:g} %RH"
        lines.append(_said("  range", f"{low:g} to {high:g} µm/m; {reference}"))
    why = calibration["compensation_reason"]
    lines.append(_said("compensation", calibration["compensation"] + (f": {why}" if why else "")))
    if facts["strains"] or zero is not None:
        lines += _zero(zero)
    return [*lines, *_configuration(facts["configuration"])]


def _zero(zero: Facts | None) -> list[str]:
    if zero is None:
        return [_said("zero", "none yet: the gauge is relative only. `spanwarden zero` states one")]
    return [
        _said(
            "zero",
            f"{zero['known_strain_um_m']:g} µm/m from {zero['valid_from']}, stated by "
            f"{zero['by']}, recorded {zero['recorded']}",
        ),
        _said("  reason", zero["reason"]),
        _said(
            "  offset",
            f"δ {zero['offset_delta']:+.7f}, u {zero['offset_delta_u']:.7f}; "
            f"T_zero {zero['temperature_c']:g} °C",
        ),
    ]


def _configuration(configuration: Facts) -> list[str]:
    kept = "no snapshot: it never ran here"
    if configuration["snapshot"]:
        kept = _path(configuration["snapshot"])
    return [_said("configuration", f"sha256 {_short(configuration['sha256'])}; {kept}")]


def _archive(facts: Facts) -> list[str]:
    stored, configuration = facts["stored"], facts["configuration"]
    if stored["row"] is None:
        return ["  There is no row of it yet: the values above are provisional until the seal."]
    sealed = _time(configuration["sealed"], facts)
    by = f"sealed {sealed} by release {configuration['sealed_by_software']}"
    by += f" with configuration {_short(configuration['sealed_by_sha256'])}"
    if stored["equal"]:
        return [_said("equal", f"The row in the archive says the same; {by}.")]
    same = configuration["sealed_by_sha256"] == configuration["sha256"]
    reason = (
        "with this very configuration: run `spanwarden rebuild --compare` and report it"
        if same
        else "the configuration was changed since; `spanwarden rebuild` makes the history again"
    )
    lines = [_said("DIFFERS", f"The row in the archive says something else; {by}; {reason}.")]
    rows = [
        [name, _number(pair["now"]), _number(pair["archive"])]
        for name, pair in stored["differences"].items()
    ]
    return [*lines, *_indented(table(["column", "now", "in the archive"], rows, right=(1, 2)))]


def _indented(text: str) -> list[str]:
    return [f"  {line}" for line in text.splitlines()]


def _time(utc: str, facts: Facts) -> str:
    when = datetime.fromisoformat(utc)
    local = when.astimezone(ZoneInfo(facts["timezone"]))
    precise = "microseconds" if when.microsecond else "seconds"
    return f"{local.isoformat(' ', timespec=precise)} ({when:%H:%M:%S}Z)"


def _number(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.9g}"
    return str(value)


def _of_unit(value: object, unit: str) -> str:
    return _strain(value) if unit == "µm/m" and isinstance(value, float) else _number(value)


def _freedom(value: float | None) -> str:
    """Beyond ten thousand no table of t knows a difference."""
    return "∞" if value is None or value > 1e4 else f"{value:.1f}"


def _delta(value: float | None) -> str:
    return "–" if value is None else f"{value:+.9f}"


def _strain(value: float | None) -> str:
    return "–" if value is None else f"{value:+.3f}"


def _path(text: str | None) -> str:
    """A file as it is reached from here."""
    if text is None:
        return "no file of it was found"
    path = Path(text)
    return str(path.relative_to(Path.cwd())) if path.is_relative_to(Path.cwd()) else text


def _short(sha256: str | None) -> str:
    return "not stated" if not sha256 else sha256[:12]
