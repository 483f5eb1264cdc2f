"""
CSV tables as a spreadsheet saves them, as entries with the line at which each row stands.

Comma or semicolon, byte order mark, CRLF and `#` rows are accepted; an empty cell is absent.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel

from pipeline.errors import Mistake
from pipeline.site.located import Entry, did_you_mean, quoted

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d+)?", re.ASCII)
_GREEK_MU, _MICRO = "\u03bc", "\u00b5"


@dataclass(frozen=True)
class Table:
    """What a CSV file holds for one model."""

    file: str
    model: type[BaseModel]
    noun: str
    label: str
    """Column whose cell names the row in messages."""


def read_table(text: str, table: Table) -> tuple[list[Entry], list[Mistake], bool]:
    """
    Rows as entries, every mistake of form, and whether rows were lost that nobody could read.

    When a required column is missing, the rows are handed on as not whole: their names are known.
    """
    mistakes: list[Mistake] = []
    rows = list(_rows(text, table, mistakes))
    is_cut = bool(mistakes)
    if not rows:
        return [], mistakes or [_empty(table)], True
    header_line, header = rows[0]
    mistakes.extend(_header_mistakes(header_line, header, table))
    if len(rows) == 1:
        mistakes.append(_empty(table))
    entries = [_entry(line, cells, header, table, mistakes) for line, cells in rows[1:]]
    return entries, mistakes, is_cut


def _rows(text: str, table: Table, mistakes: list[Mistake]) -> Iterator[tuple[int, list[str]]]:
    plain = _without_comments(text.removeprefix("\ufeff"))
    first = next((line for line in plain.splitlines() if line.strip()), "")
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(plain, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for row in reader:
            cells = [cell.strip() for cell in row]
            if any(cells) and not cells[0].startswith("#"):
                yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        remedy = 'Mend the quotes of that line: a " inside a cell is written twice.'
        found = f"a row that cannot be read ({error})"
        mistakes.append(Mistake(table.file, f"line {line}", found, "a row of CSV", remedy))


def _without_comments(text: str) -> str:
    # A quote in a comment must not swallow the rows below it; one in a cell may span lines.
    kept, inside = [], False
    for line in text.splitlines(keepends=True):
        if not inside and line.lstrip().startswith("#"):
            kept.append("\n")
            continue
        inside ^= line.count('"') % 2 == 1
        kept.append(line)
    return "".join(kept)


def _empty(table: Table) -> Mistake:
    remedy = f"Add a row for every {table.noun}."
    return Mistake(table.file, "", "no rows", f"at least one {table.noun}", remedy)


def _header_mistakes(line: int, header: list[str], table: Table) -> list[Mistake]:
    fields = table.model.model_fields
    told = []
    for name in dict.fromkeys(header):
        place = f'line {line}, column "{name}"'
        if not name:
            found, expected = "a column without a name", "a name above every cell"
            told.append(Mistake(table.file, f"line {line}", found, expected, "Name or remove it."))
        elif name not in fields:
            remedy = did_you_mean(name, set(fields) - set(header)) or "Take it out."
            told.append(Mistake(table.file, place, "an unknown column", "a known column", remedy))
        elif header.count(name) > 1:
            found = f"the column {header.count(name)} times"
            told.append(Mistake(table.file, place, found, "it once", "Keep one of them."))
    for name in _lacking(header, table):
        found, remedy = f'no column "{name}"', f"Add it. Columns found: {quoted(set(header))}."
        told.append(Mistake(table.file, f"line {line}", found, f'a column "{name}"', remedy))
    return told


def _lacking(header: list[str], table: Table) -> list[str]:
    fields = table.model.model_fields
    return [name for name, field in fields.items() if field.is_required() and name not in header]


def _entry(
    line: int, cells: list[str], header: list[str], table: Table, mistakes: list[Mistake]
) -> Entry:
    raw: dict[str, Any] = {}
    by_name = dict(zip(header, cells, strict=False))
    name = by_name.get(table.label, "")
    place = f'line {line}, {table.noun} "{name}"' if name else f"line {line}"
    failed = False
    if any(cells[len(header) :]):
        failed = True
        found, expected = f"{len(cells)} cells", f"{len(header)} cells, as in the header"
        remedy = "A cell that holds the delimiter stands in quotes; a decimal sign is a point."
        mistakes.append(Mistake(table.file, place, found, expected, remedy))
    for column, cell in by_name.items():
        if not cell or column not in table.model.model_fields:
            continue
        raw[column], fault = _value(cell, column, table.model)
        if fault:
            failed = True
            where = f'{place}, column "{column}"'
            mistakes.append(Mistake(table.file, where, f'"{cell}"', *fault))
    whole = not _lacking(header, table)
    return Entry(raw, table.file, place, "column", failed, whole)


def _value(cell: str, column: str, model: type[BaseModel]) -> tuple[Any, tuple[str, str] | None]:
    annotation = model.model_fields[column].annotation
    kinds = {annotation, *get_args(annotation)}
    if bool in kinds:
        word = cell.lower()
        if word in ("true", "yes", "false", "no"):
            return word in ("true", "yes"), None
        return False, ("yes or no", "Write yes or no, or leave the cell empty for no.")
    if float not in kinds:
        # Keyboards and fonts offer two signs that look the same; one of them is the unit's.
        return (cell.replace(_GREEK_MU, _MICRO) if column == "unit" else cell), None
    if _COMMA_NUMBER.fullmatch(cell):
        return 0.0, ("a number with a decimal point", "Write it with a point, no separators.")
    if not _NUMBER.fullmatch(cell):
        return 0.0, ("a number", "Write a plain number with a decimal point, without a unit.")
    number = float(cell)
    if not math.isfinite(number):
        return 0.0, ("a finite number", "Write a number, or leave the cell empty for none.")
    return number, None
