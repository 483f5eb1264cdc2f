"""
The truth beside a simulated stream, in columns; written as CSV (also .gz) or Parquet.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Truth:
    """Columns of one length n: strain points have all but `value`, sensors only `value`."""

    time_us: Ints
    point: npt.NDArray[np.str_]
    mechanical: Floats
    """µm/m, NaN for sensors."""
    total: Floats
    """µm/m: mechanical + α·(T - T_zero)."""
    temperature: Floats
    """°C, at the point."""
    moisture: Floats
    """w of the film of the gauge in place, 0..1; NaN for foil."""
    value: Floats
    """Of a sensor, in its point's unit."""

    def __len__(self) -> int:
        return len(self.time_us)

    @classmethod
    def of_strain(
        cls,
        point: str,
        time_us: Ints,
        mechanical: Floats,
        free: Floats,
        temperature: Floats,
        moisture: Floats,
    ) -> Truth:
        """A strain point's truth; strains in m/m, `free` is its free expansion."""
        total = (mechanical + free) * 1e6
        nothing = np.full(len(time_us), np.nan)
        names = np.full(len(time_us), point)
        return cls(time_us, names, mechanical * 1e6, total, temperature, moisture, nothing)

    @classmethod
    def of_sensor(cls, point: str, time_us: Ints, value: Floats, temperature: Floats) -> Truth:
        """The truth of a point with another quantity."""
        nothing = np.full(len(time_us), np.nan)
        names = np.full(len(time_us), point)
        return cls(time_us, names, nothing, nothing, temperature, nothing, value)

    def of(self, point: str) -> Truth:
        """The rows of one point."""
        rows = self.point == point
        return Truth(*(getattr(self, f.name)[rows] for f in fields(self)))


def joined(parts: Sequence[Truth]) -> Truth:
    """All rows of `parts`, ordered by time, then as given."""
    columns = [np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Truth)]
    order = np.argsort(columns[0], kind="stable")
    return Truth(*(column[order] for column in columns))


def write_truth(truth: Truth, path: Path) -> None:
    """
    Write `.csv`, `.csv.gz` (same bytes for the same truth) or `.parquet`.

    Raises:
        ValueError: another ending.
    """
    if path.suffix == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        columns = {
            f.name: pa.array(getattr(truth, f.name), from_pandas=True) for f in fields(truth)
        }
        columns["time"] = columns.pop("time_us").cast(pa.timestamp("us", tz="UTC"))
        pq.write_table(pa.table(columns), path)
    elif path.name.endswith((".csv", ".csv.gz")):
        text = truth_csv(truth).encode()
        path.write_bytes(zipped(text) if path.suffix == ".gz" else text)
    else:
        raise ValueError(f"{path.name}: truth is written as .csv, .csv.gz or .parquet")


def truth_csv(truth: Truth) -> str:
    """CSV text: time in ISO 8601, strains to 0.001 µm/m; an empty cell is absent."""
    lines = io.StringIO()
    lines.write("time,point,mechanical,total,temperature,moisture,value\n")
    columns = [getattr(truth, name).tolist() for name in (f.name for f in fields(truth))]
    for time_us, point, mechanical, total, temperature, moisture, value in zip(
        *columns, strict=True
    ):
        numbers = (
            _cell(mechanical, 3),
            _cell(total, 3),
            _cell(temperature, 3),
            _cell(moisture, 5),
            _cell(value, 5),
        )
        lines.write(f"{iso_time(time_us)},{point},{','.join(numbers)}\n")
    return lines.getvalue()


def zipped(payload: bytes) -> bytes:
    """gzip without a name or a time in its head, so that equal content gives equal bytes."""
    return gzip.compress(payload, compresslevel=9, mtime=0)


def iso_time(time_us: int) -> str:
    """ISO 8601 in UTC, to the microsecond where there are any."""
    seconds, rest = divmod(time_us, 1_000_000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{rest:06d}Z" if rest else f"{text}Z"


def _cell(number: float, digits: int) -> str:
    return "" if number != number else f"{number:.{digits}f}"
