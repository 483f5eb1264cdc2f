"""
The two columnar types that rooms hand to each other: `Readings` and `Results`.

Both wrap one Arrow table with a fixed schema; units stand in the field metadata. Time is int64
microseconds since 1970-01-01 UTC. Absent is null in a block and NaN in a numpy column.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SCHEMA_VERSION = 1
TIME = pa.timestamp("us", tz="UTC")
NAME = pa.dictionary(pa.int32(), pa.string())

# QARTOD primary flags (IOOS manuals for real-time quality control).
PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9

# Bit i of the column `tests` is TESTS[i]. Append only: archives keep the number.
TESTS = (
    "not_a_number",  # fail: the arithmetic of the bridge has no solution
    "open_circuit",  # fail
    "short_circuit",  # fail
    "converter_rail",  # fail: the converter stands at its end
    "gross_range",
    "spike",
    "rate_of_change",
    "flat_line",
    "gap",
    "beyond_range",  # outside the calibrated range, end tangent used
    "uncompensated",  # a climate value was missing or too old
    "companion_missing",
    "contradiction",  # another value came for the same channel and time
    "clock",
    "condensation",  # humidity at the film's surface reached 1
    "relative_only",  # before the gauge's first zero
    "calibration_expired",
    "warm_up",  # moisture not settled since a cold start, or excitation just come back
    "late",  # came after newer readings of its channel; live only
    "companion_disagrees",
    "noise",
    "neighbour",
    "leakage",
    "attenuated",  # the standard deviation fell below what a live gauge has
    "shunt",  # a shunt check could not be made: no ordinary reading before it
)
TEST_BIT: Mapping[str, int] = {name: 1 << i for i, name in enumerate(TESTS)}

# The corrections in the order in which they are taken off; indicated - sum(terms) = mechanical.
TERMS = (
    "thermal_output",
    "sensitivity",
    "moisture",
    "companion",
    "creep",
    "ageing",
    "zero",
)


def _field(name: str, kind: pa.DataType, unit: str, *, nullable: bool = True) -> pa.Field:
    return pa.field(name, kind, nullable=nullable, metadata={"unit": unit} if unit else None)


READINGS_SCHEMA = pa.schema(
    [
        _field("time", TIME, "", nullable=False),
        _field("channel", NAME, "", nullable=False),
        _field("value", pa.float64(), "of the channel", nullable=False),
        _field("received", TIME, "", nullable=False),
        _field("sequence", pa.int64(), ""),
    ],
    metadata={"block": "readings", "schema_version": str(SCHEMA_VERSION)},
)

RESULTS_SCHEMA = pa.schema(
    [
        _field("time", TIME, "", nullable=False),
        _field("point", NAME, "", nullable=False),
        _field("quantity", NAME, "", nullable=False),
        _field("value", pa.float64(), "of the point; µm/m for strain"),
        _field("u", pa.float64(), "of the value; U95/2"),
        _field("flag", pa.int8(), "QARTOD", nullable=False),
        _field("tests", pa.int32(), "bit set, see tests in the metadata", nullable=False),
        _field("indicated", pa.float64(), "µm/m"),
        *(_field(term, pa.float64(), "µm/m") for term in TERMS),
        _field("mechanical", pa.float64(), "µm/m"),
        _field("total", pa.float64(), "µm/m"),
        _field("temperature", pa.float64(), "°C"),
        _field("humidity", pa.float64(), "%RH"),
    ],
    metadata={
        "block": "results",
        "schema_version": str(SCHEMA_VERSION),
        "tests": ",".join(TESTS),
        "flags": "1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing",
        "strain": "tension positive; indicated - sum(terms) = mechanical",
    },
)

_RESULT_FLOATS = tuple(f.name for f in RESULTS_SCHEMA if pa.types.is_floating(f.type))


@dataclass(frozen=True)
class Readings:
    """
    What arrived: `time`, `channel`, `value`, `received`, `sequence`, in the order of arrival.

    The order of rows matters until `sort`: of two rows alike in all else the first came first.
    """

    table: pa.Table

    def __len__(self) -> int:
        return int(self.table.num_rows)

    @classmethod
    def empty(cls) -> Readings:
        """No readings."""
        return cls(READINGS_SCHEMA.empty_table())

    @classmethod
    def from_columns(
        cls,
        time: npt.ArrayLike,
        channel: pa.Array | Iterable[str],
        value: npt.ArrayLike,
        received: npt.ArrayLike,
        sequence: pa.Array | None = None,
    ) -> Readings:
        """
        Readings from columns of one length n.

        Args:
            time: [µs since 1970 UTC], int64, shape (n,).
            channel: names, or an Arrow dictionary array of strings.
            value: in the channel's own unit, finite, shape (n,).
            received: [µs since 1970 UTC], one number or shape (n,).
            sequence: Arrow int64 array, null where a node sends none; None: all null.
        """
        times = np.asarray(time, dtype=np.int64)
        n = len(times)
        names = channel if isinstance(channel, pa.Array) else pa.array(list(channel), pa.string())
        columns = [
            pa.array(times).cast(TIME),
            names if names.type == NAME else names.cast(NAME),
            pa.array(np.asarray(value, dtype=np.float64)),
            pa.array(np.broadcast_to(np.asarray(received, dtype=np.int64), (n,))).cast(TIME),
            pa.nulls(n, pa.int64()) if sequence is None else sequence,
        ]
        return cls(pa.Table.from_arrays(columns, schema=READINGS_SCHEMA))

    def column(self, name: str) -> npt.NDArray[np.generic]:
        """A column as numpy: times as int64 µs, `sequence` with -2**63 for null."""
        return _numpy_column(self.table, name)

    def channel_codes(self) -> tuple[Ints, list[str]]:
        """Row-wise codes into the returned list of channel names, shape (n,)."""
        return _codes(self.table, "channel")

    def take(self, rows: npt.ArrayLike) -> Readings:
        """The rows at these positions or under this mask, in that order."""
        return Readings(_take(self.table, rows))


@dataclass(frozen=True)
class Results:
    """What the chain made of readings; see `RESULTS_SCHEMA` for columns and units."""

    table: pa.Table

    def __len__(self) -> int:
        return int(self.table.num_rows)

    @classmethod
    def empty(cls) -> Results:
        """No results."""
        return cls(RESULTS_SCHEMA.empty_table())

    @classmethod
    def from_columns(
        cls, time: Ints, point: str, quantity: str, columns: Mapping[str, npt.ArrayLike]
    ) -> Results:
        """
        Results of one point from numpy columns of shape (n,); NaN becomes null.

        Args:
            time: [µs since 1970 UTC].
            point: id of the measuring point.
            quantity: what `value` is, for example `strain`.
            columns: by name of `RESULTS_SCHEMA`; `flag` and `tests` are required, a missing
                float column is all null.

        Raises:
            KeyError: `flag` or `tests` missing, or a name that the schema has not.
        """
        n = len(time)
        unknown = set(columns) - set(_RESULT_FLOATS) - {"flag", "tests"}
        if unknown:
            raise KeyError(f"no such Results column: {', '.join(sorted(unknown))}")
        code = pa.array(np.zeros(n, np.int32))
        arrays = [
            pa.array(np.asarray(time, np.int64)).cast(TIME),
            pa.DictionaryArray.from_arrays(code, pa.array([point])),
            pa.DictionaryArray.from_arrays(code, pa.array([quantity])),
        ]
        for f in RESULTS_SCHEMA:
            if f.name in ("flag", "tests"):
                arrays.append(pa.array(np.asarray(columns[f.name]), f.type))
            elif f.name in _RESULT_FLOATS:
                given = columns.get(f.name)
                arrays.append(
                    pa.nulls(n, pa.float64())
                    if given is None
                    else pa.array(np.asarray(given, np.float64), from_pandas=True)
                )
        return cls(pa.Table.from_arrays(arrays, schema=RESULTS_SCHEMA))

    def column(self, name: str) -> npt.NDArray[np.generic]:
        """A column as numpy: times as int64 µs, floats with NaN for null."""
        return _numpy_column(self.table, name)

    def point_codes(self) -> tuple[Ints, list[str]]:
        """Row-wise codes into the returned list of point ids, shape (n,)."""
        return _codes(self.table, "point")

    def take(self, rows: npt.ArrayLike) -> Results:
        """The rows at these positions or under this mask, in that order."""
        return Results(_take(self.table, rows))


def concat_readings(parts: Iterable[Readings]) -> Readings:
    """All rows of `parts` in their order, with one channel dictionary."""
    tables = [part.table for part in parts if len(part)]
    return Readings(_unified(tables)) if tables else Readings.empty()


def concat_results(parts: Iterable[Results]) -> Results:
    """All rows of `parts` in their order, with one dictionary a name column."""
    tables = [part.table for part in parts if len(part)]
    return Results(_unified(tables)) if tables else Results.empty()


def sort_readings(readings: Readings) -> Readings:
    """By channel name, then time, then received; rows equal in all three keep their order."""
    codes, names = readings.channel_codes()
    rank = np.empty(len(names), np.int64)
    rank[np.argsort(np.asarray(names, dtype=object))] = np.arange(len(names))
    keys = (readings.column("received"), readings.column("time"), rank[codes])
    return readings.take(np.lexsort(keys))


def sort_results(results: Results) -> Results:
    """By point name, then time; equal rows keep their order."""
    codes, names = results.point_codes()
    rank = np.empty(len(names), np.int64)
    rank[np.argsort(np.asarray(names, dtype=object))] = np.arange(len(names))
    return results.take(np.lexsort((results.column("time"), rank[codes])))


def dedupe_readings(readings: Readings) -> Readings:
    """
    Sorted readings without identical repeats (same channel, time and value).

    Of a set of repeats the first received stays, with the highest sequence among them, so that
    the outcome does not depend on the order in which repeats came. Contradictions (same channel
    and time, another value) all stay.
    """
    if not len(readings):
        return readings
    ordered = sort_readings(readings)
    codes, _ = ordered.channel_codes()
    time, value = ordered.column("time"), ordered.column("value")
    # + 0.0 makes -0.0 equal to 0.0 in bits, as it is in value.
    bits = (value.astype(np.float64) + 0.0).view(np.int64)
    by_key = np.lexsort((np.arange(len(ordered)), bits, time, codes))
    starts = np.ones(len(ordered), bool)
    starts[1:] = False
    for column in (codes, time, bits):
        key = column[by_key]
        starts[1:] |= key[1:] != key[:-1]
    if starts.all():
        return ordered
    first = by_key[starts]
    highest = np.maximum.reduceat(ordered.column("sequence")[by_key], np.flatnonzero(starts))
    order = np.argsort(first, kind="stable")
    kept = ordered.take(first[order])
    return _with_sequence(kept, highest[order].astype(np.int64))


NO_SEQUENCE = np.iinfo(np.int64).min


def _with_sequence(readings: Readings, sequence: Ints) -> Readings:
    column = pa.array(sequence, mask=sequence == NO_SEQUENCE)
    index = readings.table.schema.get_field_index("sequence")
    return Readings(readings.table.set_column(index, READINGS_SCHEMA.field("sequence"), column))


def _numpy_column(table: pa.Table, name: str) -> npt.NDArray[np.generic]:
    column = table.column(name).combine_chunks()
    if pa.types.is_timestamp(column.type):
        return np.asarray(column.cast(pa.int64()))
    if name == "sequence":
        return np.asarray(column.fill_null(NO_SEQUENCE))
    return np.asarray(column.to_numpy(zero_copy_only=False))


def _codes(table: pa.Table, name: str) -> tuple[Ints, list[str]]:
    column = table.column(name).unify_dictionaries().combine_chunks()
    if isinstance(column, pa.ChunkedArray):  # an empty table has no chunk to combine
        return np.empty(0, np.int64), []
    return np.asarray(column.indices).astype(np.int64), column.dictionary.to_pylist()


def _take(table: pa.Table, rows: npt.ArrayLike) -> pa.Table:
    index = np.asarray(rows)
    if index.dtype == np.bool_:
        index = np.flatnonzero(index)
    return table.take(pa.array(index.astype(np.int64)))


def _unified(tables: list[pa.Table]) -> pa.Table:
    return pa.concat_tables(tables).unify_dictionaries().combine_chunks()
