"""
TOML and JSON-lines texts as entries with the line at which each stands.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from pipeline.errors import Mistake
from pipeline.site.located import Entry, did_you_mean

_BOM = "\ufeff"


def parse_toml(text: str, file: str) -> tuple[dict[str, Any] | None, list[Mistake]]:
    """The document, or None and the syntax error with its line and column."""
    try:
        return tomllib.loads(text.removeprefix(_BOM).replace("\r\n", "\n")), []
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        at = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", said)
        place = f"line {at[1]}, column {at[2]}" if at and at[1] else "end of the file"
        reason = said[: at.start()].strip() if at else said
        found = f"a syntax error: {_first_down(reason)}"
        remedy = 'Mend that line: text stands in "quotes", numbers have no unit, keys come once.'
        return None, [Mistake(file, place, found, "valid TOML", remedy)]


def one_table(
    document: Mapping[str, Any], name: str, text: str, file: str, *, required: bool
) -> tuple[Entry | None, list[Mistake]]:
    """The table `[name]` of a document; a list or a bare value in its place is a mistake."""
    lines = header_lines(text, name, double=False)
    place = f"line {lines[0]}, [{name}]" if len(lines) == 1 else f"[{name}]"
    value = document.get(name)
    if isinstance(value, dict):
        return Entry(value, file, place), []
    if value is not None:
        remedy = f"Write it as one table: [{name}] with a line for each key below it."
        return None, [Mistake(file, place, _shape(value), f"one table [{name}]", remedy)]
    if not required:
        return None, []
    remedy = f"Add [{name}]; an example site is in config/."
    return None, [Mistake(file, "", f"no table [{name}]", f"a table [{name}]", remedy)]


def table_list(
    document: Mapping[str, Any], name: str, text: str, file: str
) -> tuple[list[Entry], list[Mistake]]:
    """The tables `[[name]]` of a document, at least one, each with its line and its id."""
    value = document.get(name)
    if value is None or value == []:
        remedy = f"Add [[{name}]] with its keys below it; an example site is in config/."
        return [], [Mistake(file, "", f"no [[{name}]]", f"at least one [[{name}]]", remedy)]
    if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
        remedy = f"Write [[{name}]] with two brackets on each side, once for each {name}."
        where = f'key "{name}"'
        return [], [Mistake(file, where, _shape(value), f"tables [[{name}]]", remedy)]
    lines = header_lines(text, name, double=True)
    entries = []
    for i, raw in enumerate(value):
        label = f'{name} "{raw["id"]}"' if isinstance(raw.get("id"), str) else f"{name} {i + 1}"
        # A header inside a text of several lines would shift the count: then no line is told.
        place = f"line {lines[i]}, {label}" if len(lines) == len(value) else label
        entries.append(Entry(raw, file, place))
    return entries, []


def unknown_tables(
    document: Mapping[str, Any], known: tuple[str, ...], file: str, text: str
) -> list[Mistake]:
    """A mistake for every top-level key of a document that nobody reads."""
    mistakes = []
    for key in document:
        if key in known:
            continue
        lines = header_lines(text, key, double=False) or header_lines(text, key, double=True)
        place = f'line {lines[0]}, key "{key}"' if lines else f'key "{key}"'
        remedy = did_you_mean(key, known)
        mistakes.append(Mistake(file, place, "an unknown key", "a known key", remedy))
    return mistakes


def parse_json_lines(text: str, file: str, noun: str) -> tuple[list[Entry], list[Mistake]]:
    """One JSON object a line; blank lines are passed over, keys given twice are mistakes."""
    entries, mistakes = [], []
    for number, line in enumerate(text.removeprefix(_BOM).split("\n"), start=1):
        if not line.strip():
            continue
        try:
            raw = json.loads(line, object_pairs_hook=_pairs)
        except (ValueError, RecursionError) as error:
            found = f"a line that is not JSON ({_first_down(str(error))})"
            remedy = "If the line was cut off while it was written, take it out; else mend it."
            mistakes.append(
                Mistake(file, f"line {number}", found, "one JSON object a line", remedy)
            )
            continue
        if not isinstance(raw, dict):
            remedy = "Write one object in braces a line."
            mistakes.append(
                Mistake(file, f"line {number}", _shape(raw), "one JSON object a line", remedy)
            )
            continue
        serial = raw.get("serial")
        label = f', {noun} of "{serial}"' if isinstance(serial, str) else ""
        entries.append(Entry(raw, file, f"line {number}{label}"))
    return entries, mistakes


def header_lines(text: str, name: str, *, double: bool) -> list[int]:
    """Numbers of the lines that open `[name]`, or `[[name]]` when `double`; counted from 1."""
    left, right = (r"\[\[", r"\]\]") if double else (r"\[", r"\]")
    header = re.compile(rf"\s*{left}\s*{re.escape(name)}\s*{right}\s*(#.*)?$")
    lines = text.removeprefix(_BOM).splitlines()
    return [number for number, line in enumerate(lines, start=1) if header.match(line)]


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = [name for name, _ in pairs]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise ValueError(f'key "{sorted(twice)[0]}" is given twice')
    return dict(pairs)


def _shape(value: object) -> str:
    if isinstance(value, dict):
        return "one table"
    return "a list" if isinstance(value, list) else "a bare value"


def _first_down(text: str) -> str:
    return text[:1].lower() + text[1:]
