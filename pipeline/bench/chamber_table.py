"""
Chamber, hold and rest tables as columns: what gauges read over time, beside climate and strain.

Every mistake in a file is listed with its line before anything is fitted.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.errors import ConfigError, Mistake

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Names = npt.NDArray[np.str_]

SEGMENTS = ("temperature", "humidity", "both")
_NEEDED = ("serial", "batch", "time_s", "temperature_c", "humidity_rh", "strain_um_m")
_SIGNALS = ("resistance_ohm", "ratio")
_OPTIONAL = ("air_temperature_c", "run", "segment", "material")
_TEXT = ("serial", "batch", "run", "segment", "material")
_LOWEST_C, _HIGHEST_C = -60.0, 150.0
_HIGHEST_UM_M = 100_000.0
_MOST_SHOWN = 5


@dataclass(frozen=True, eq=False)
class ChamberRuns:
    """
    Columns of one table, each shape (n,); ordered by gauge, then run, then time.

    Made by `read_chamber` and `read_hold`, or straight from arrays.
    """

    serial: Names
    batch: Names
    time: Floats
    """[s], increasing within a run."""
    temperature: Floats
    """Of the gauge [°C]."""
    humidity: Floats
    """Of the air, 0..1."""
    relative: Floats
    """Resistance of the gauge in any unit, above 0."""
    strain: Floats
    """Applied [m/m]; 0: free."""
    run: Names
    segment: Names
    material: Names
    """Of the coupon; `film` or empty: the bare film."""
    air_temperature: Floats | None = None
    """Where the humidity was measured [°C]; None: as warm as the gauge."""
    file: str = "chamber"
    line: Ints | None = None
    """Of each row in the file."""

    def __len__(self) -> int:
        return len(self.time)

    @property
    def serials(self) -> tuple[str, ...]:
        """The gauges, each once, in the order in which they come."""
        return tuple(dict.fromkeys(self.serial.tolist()))

    def place(self, row: int) -> str:
        """The row as a person finds it."""
        number = row + 2 if self.line is None else int(self.line[row])
        return f'line {number}, gauge "{self.serial[row]}"'

    def mistake(self, row: int | None, found: str, expected: str, remedy: str) -> Mistake:
        """A mistake at a row, or in the whole table."""
        return Mistake(self.file, "" if row is None else self.place(row), found, expected, remedy)


def arm_ratio(ratio: npt.ArrayLike) -> Floats:
    """
    Active over completion resistance of a quarter bridge from its output e in V/V.

    x = (½ + e)/(½ - e), exact (two equal resistors in the other half); infinite at e = ½.
    """
    e = np.asarray(ratio, np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray((0.5 + e) / (0.5 - e))


def read_chamber(file: str, text: str) -> ChamberRuns:
    """
    The table of a climate chamber, `chamber.csv`.

    Args:
        file: name as messages shall show it.
        text: of the file.

    Raises:
        ConfigError: every mistake of the file with its line.
    """
    return _read(file, text, is_chamber=True)


def read_hold(file: str, text: str) -> ChamberRuns:
    """
    The table of a hold, `hold.csv` (under load, then unloaded) or `rest.csv` (never loaded).

    Args:
        file: name as messages shall show it.
        text: of the file.

    Raises:
        ConfigError: every mistake of the file with its line.
    """
    return _read(file, text, is_chamber=False)


def _read(file: str, text: str, *, is_chamber: bool) -> ChamberRuns:
    cells, lines = _cells(file, text, is_chamber)
    mistakes: list[Mistake] = []
    columns: dict[str, npt.NDArray[np.generic]] = {
        name: np.array(column) if name in _TEXT else _numbers(file, name, column, lines, mistakes)
        for name, column in cells.items()
    }
    if mistakes:
        raise ConfigError(_bounded(file, mistakes))
    table = chamber_runs(columns, file=file, line=np.array(lines, np.int64))
    check_runs(table, is_chamber=is_chamber)
    return table


def chamber_runs(
    columns: Mapping[str, npt.NDArray[np.generic]], *, file: str, line: Ints | None = None
) -> ChamberRuns:
    """
    The table from columns by their heading, rows gathered by gauge and run.

    Args:
        columns: as in the file, each shape (n,): text, or finite float64.
        file: name as messages shall show it.
        line: of each row; None: the rows are counted from the second line on.
    """
    n = len(columns["time_s"])
    words = {name: np.asarray(columns.get(name, np.full(n, "")), np.str_) for name in _TEXT}
    gauge = np.unique(words["serial"], return_inverse=True)[1]
    run = np.unique(words["run"], return_inverse=True)[1]
    order = np.lexsort((np.arange(n), run, gauge))

    def number(name: str) -> Floats:
        return np.asarray(columns[name], np.float64)[order]

    has_ohm = "resistance_ohm" in columns
    return ChamberRuns(
        serial=words["serial"][order],
        batch=words["batch"][order],
        time=number("time_s"),
        temperature=number("temperature_c"),
        humidity=number("humidity_rh") / 100.0,
        relative=number("resistance_ohm") if has_ohm else arm_ratio(number("ratio")),
        strain=number("strain_um_m") * 1e-6,
        run=words["run"][order],
        segment=words["segment"][order],
        material=words["material"][order],
        air_temperature=number("air_temperature_c") if "air_temperature_c" in columns else None,
        file=file,
        line=(np.arange(n) + 2 if line is None else line)[order],
    )


def _cells(file: str, text: str, is_chamber: bool) -> tuple[dict[str, list[str]], list[int]]:
    """Columns of text by name, and the line of each row."""
    plain = text.removeprefix("\ufeff").splitlines()
    first = plain[0] if plain else ""
    reader = csv.reader(plain, delimiter=";" if ";" in first else ",")
    header = [name.strip() for name in next(reader, [])]
    mistakes = list(_header_mistakes(file, header, is_chamber))
    rows: list[list[str]] = []
    lines: list[int] = []
    for row in reader:
        if not any(cell.strip() for cell in row) or row[0].startswith("#"):
            continue
        if len(row) != len(header):
            found, expected = f"{len(row)} cells", f"{len(header)} cells, as in the heading"
            place, remedy = f"line {reader.line_num}", "Mend the row."
            mistakes.append(Mistake(file, place, found, expected, remedy))
            continue
        rows.append([cell.strip() for cell in row])
        lines.append(reader.line_num)
    if not rows and not mistakes:
        remedy = "Write the readings, one a row, or take the file away."
        mistakes.append(Mistake(file, "", "no rows", "readings", remedy))
    if mistakes:
        raise ConfigError(_bounded(file, mistakes))
    columns = [list(column) for column in zip(*rows, strict=True)]
    return dict(zip(header, columns, strict=True)), lines


def _header_mistakes(file: str, header: list[str], is_chamber: bool) -> Iterator[Mistake]:
    needed = (*_NEEDED, "segment", "material") if is_chamber else _NEEDED
    for name in needed:
        if name not in header:
            found = "no column " + name
            yield Mistake(file, "line 1", found, f'a column "{name}"', "Add it to the heading.")
    signals = [name for name in _SIGNALS if name in header]
    if len(signals) != 1:
        found = " and ".join(signals) or "neither resistance_ohm nor ratio"
        remedy = "Keep resistance_ohm for an ohmmeter, or ratio (V/V) for a bridge."
        yield Mistake(file, "line 1", found, "exactly one column of the signal", remedy)
    known = {*_NEEDED, *_SIGNALS, *_OPTIONAL}
    for name in header:
        if name not in known:
            remedy = "Take it out, or mend its name; known are " + ", ".join(sorted(known)) + "."
            yield Mistake(file, "line 1", f'column "{name}"', "a known column", remedy)


def _numbers(
    file: str, name: str, column: list[str], lines: list[int], mistakes: list[Mistake]
) -> Floats:
    try:
        values = np.array(column, np.float64)
    except ValueError:
        values = np.array([_number(cell) for cell in column])
    for row in np.flatnonzero(~np.isfinite(values)).tolist():
        remedy = "Write a finite number with a point, or take the row out."
        found = f'"{column[row]}"'
        mistakes.append(Mistake(file, f"line {lines[row]}, {name}", found, "a number", remedy))
    return values


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")


def _bounded(file: str, mistakes: list[Mistake]) -> tuple[Mistake, ...]:
    """A whole column in the wrong unit is not told row by row."""
    left = len(mistakes) - _MOST_SHOWN
    if left <= 1:
        return tuple(mistakes)
    found = f"{left} more mistakes of this file"
    more = Mistake(file, "", found, "none", "Mend those above first, then run it again.")
    return (*mistakes[:_MOST_SHOWN], more)


def check_runs(table: ChamberRuns, *, is_chamber: bool) -> None:
    """
    Refuse what cannot be: units, ranges, order of time, segments.

    Raises:
        ConfigError: every mistake, each with the first row at which it shows.
    """
    mistakes = [*_unit_mistakes(table), *_range_mistakes(table), *_order_mistakes(table)]
    if is_chamber:
        mistakes.extend(_segment_mistakes(table))
    if mistakes:
        raise ConfigError(_bounded(table.file, mistakes))


def _unit_mistakes(table: ChamberRuns) -> Iterator[Mistake]:
    humidity, strain = table.humidity, np.abs(table.strain)
    if 0.0 < np.max(humidity) <= 0.01:
        remedy = "Write humidity in %RH, 50 for one half."
        found = f"humidity_rh up to {100 * np.max(humidity):g}"
        yield table.mistake(None, found, "%RH, 0 to 100", remedy)
    if 0.0 < np.max(strain) < 1e-6:
        remedy = "Write strain in µm/m, 1000 for a thousandth."
        found = f"strain_um_m up to {1e6 * np.max(strain):g}"
        yield table.mistake(None, found, "µm/m", remedy)


def _range_mistakes(table: ChamberRuns) -> Iterator[Mistake]:
    for name, value, low, high, unit in (
        ("temperature_c", table.temperature, _LOWEST_C, _HIGHEST_C, "°C"),
        ("humidity_rh", table.humidity * 100, 0.0, 100.0, "%RH"),
        ("strain_um_m", table.strain * 1e6, -_HIGHEST_UM_M, _HIGHEST_UM_M, "µm/m"),
    ):
        wrong = np.flatnonzero((value < low) | (value > high))
        if len(wrong):
            row = int(wrong[0])
            found = f"{name} {value[row]:g} in this and {len(wrong) - 1} other rows"
            remedy = "Mend the unit, or look whether two columns are exchanged."
            yield table.mistake(row, found, f"{low:g} to {high:g} {unit}", remedy)
    wrong = np.flatnonzero(~((table.relative > 0.0) & np.isfinite(table.relative)))
    if len(wrong):
        row = int(wrong[0])
        found = f"a signal that is no resistance, in this and {len(wrong) - 1} other rows"
        expected = "resistance_ohm above 0, or ratio between -0.5 and 0.5"
        remedy = "Take rows of a broken gauge out, or mend the unit (V/V, not mV/V)."
        yield table.mistake(row, found, expected, remedy)


def _order_mistakes(table: ChamberRuns) -> Iterator[Mistake]:
    same = (table.serial[1:] == table.serial[:-1]) & (table.run[1:] == table.run[:-1])
    wrong = np.flatnonzero(same & ~(np.diff(table.time) > 0.0)) + 1
    if len(wrong):
        row = int(wrong[0])
        found = f"time_s {table.time[row]:g} after {table.time[row - 1]:g}"
        remedy = "Put exchanged rows in order, or tell runs apart by a column `run`."
        yield table.mistake(row, found, "time that increases within a run", remedy)


def _segment_mistakes(table: ChamberRuns) -> Iterator[Mistake]:
    wrong = np.flatnonzero(~np.isin(table.segment, SEGMENTS))
    if len(wrong):
        row = int(wrong[0])
        expected = "temperature, humidity or both"
        remedy = "Write what the chamber changed in this part of the run."
        yield table.mistake(row, f'segment "{table.segment[row]}"', expected, remedy)
    names = sorted(set(table.material.tolist()))
    if len(names) > 1:
        row = int(np.flatnonzero(table.material != table.material[0])[0])
        found = "materials " + ", ".join(f'"{name}"' for name in names)
        remedy = "Fit each material from a folder of its own: they hold different expansions."
        yield table.mistake(row, found, "one material", remedy)
