"""
What the codecs make: the columns of one or many messages, and the place where they gather.

A codec appends a whole message or raises; nothing of a refused message is left behind.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.blocks import Bools, Floats, Ints
from pipeline.errors import PayloadError

Codes = npt.NDArray[np.int32]

MAX_PAYLOAD_BYTES = 4 * 1024 * 1024
MAX_ROWS = 200_000
"""Of one message."""

RELATIVE_BELOW_US = 2**28 * 1_000_000
"""RFC 8428, 4.5.3: smaller times count from now, so they would change on the way."""
LATEST_S = 253_402_300_800.0
"""Year 10000; a time beyond cannot be written by any archive."""

# What a decoder may raise on hostile bytes beside its own errors; a codec turns each into a
# PayloadError. MemoryError is one of them: a claimed length is refused by the allocator.
LIBRARY_FAULTS = (
    ValueError,
    TypeError,
    ArithmeticError,
    LookupError,
    AttributeError,
    EOFError,
    OSError,
    NotImplementedError,
    RecursionError,
    MemoryError,
)


class Names(dict[str, int]):
    """Code of each text in the order of first sight; a missing key gets the next code."""

    def __missing__(self, text: str) -> int:
        code = self[text] = len(self)
        return code


@dataclass(frozen=True)
class Chunk:
    """Rows of some messages, all columns of shape (n,); see `Decoded`."""

    time_us: Ints
    name_code: Codes
    value: Floats
    unit_code: Codes
    message: Ints


@dataclass(frozen=True)
class Decoded:
    """
    The readings of messages as columns of shape (n,), in the order in which they came.

    `time_us` [µs since 1970 UTC]; `name_code` into `names` and `unit_code` into `units`, where
    the unit "" means that none was given; `value` in that unit, NaN for null; `message` the
    position of a row's message in the batch. By position of the message: `sequence` where the
    payload carries one, `secondary` where it allows units of RFC 8798, `errors` for those that
    could not be decoded (they have no rows).
    """

    time_us: Ints
    name_code: Codes
    names: list[str]
    value: Floats
    unit_code: Codes
    units: list[str]
    message: Ints
    sequence: dict[int, int]
    secondary: frozenset[int]
    errors: dict[int, PayloadError]

    def __len__(self) -> int:
        return len(self.time_us)


@dataclass
class Gathering:
    """Rows on their way to `Decoded`; SenML comes in lists, Arrow in arrays."""

    names: Names = field(default_factory=Names)
    units: Names = field(default_factory=Names)
    sequence: dict[int, int] = field(default_factory=dict)
    secondary: set[int] = field(default_factory=set)
    errors: dict[int, PayloadError] = field(default_factory=dict)
    _seconds: list[float] = field(default_factory=list)
    _values: list[float] = field(default_factory=list)
    _row_names: list[str] = field(default_factory=list)
    _row_units: list[str] = field(default_factory=list)
    _runs: list[tuple[int, float, float, int]] = field(default_factory=list)
    _chunks: list[Chunk] = field(default_factory=list)

    def add_run(
        self,
        message: int,
        base: tuple[float, float],
        seconds: Iterable[float],
        values: list[float],
        names: Iterable[str],
        units: Iterable[str],
    ) -> None:
        """
        Add rows of one message that share `base` = (base time [s], base value).

        Args:
            message: position in the batch.
            base: added to each of `seconds` and `values`.
            seconds: [s] since `base`.
            values: as sent; NaN where null was sent.
            names: resolved, "" where there is none (the message will be refused).
            units: "" where there is none.
        """
        self._runs.append((message, *base, len(values)))
        self._seconds += seconds
        self._values += values
        self._row_names += names
        self._row_units += units

    def add_row(
        self, message: int, base: tuple[float, float], row: tuple[float, float, str, str]
    ) -> None:
        """Add the only row (seconds, value, name, unit) of a message, as `add_run` does."""
        self._runs.append((message, *base, 1))
        second, value, name, unit = row
        self._seconds.append(second)
        self._values.append(value)
        self._row_names.append(name)
        self._row_units.append(unit)

    def add_chunk(self, chunk: Chunk) -> None:
        """Add rows that are columns already."""
        self._flush()
        self._chunks.append(chunk)

    def finish(self) -> Decoded:
        """All rows; messages with a relative or impossible time or an empty name are refused."""
        self._flush()
        chunk = _joined(self._chunks)
        refused = self._refuse(chunk)
        if refused.any():
            keep = ~refused
            chunk = Chunk(
                chunk.time_us[keep],
                chunk.name_code[keep],
                chunk.value[keep],
                chunk.unit_code[keep],
                chunk.message[keep],
            )
        return Decoded(
            chunk.time_us,
            chunk.name_code,
            list(self.names),
            chunk.value,
            chunk.unit_code,
            list(self.units),
            chunk.message,
            self.sequence,
            frozenset(self.secondary),
            self.errors,
        )

    def _flush(self) -> None:
        if not self._runs:
            return
        messages, base_s, base_value, rows = zip(*self._runs, strict=True)
        counts = np.array(rows, np.int64)
        time_us = np.repeat(microseconds(np.array(base_s)), counts)
        time_us += microseconds(np.array(self._seconds, np.float64))
        value = np.array(self._values, np.float64)
        if any(base_value):
            with np.errstate(over="ignore"):  # infinity is refused by the gate, row by row
                value += np.repeat(np.array(base_value), counts)
        name, unit = self.names, self.units
        self._chunks.append(
            Chunk(
                time_us,
                np.array([name[text] for text in self._row_names], np.int32),
                value,
                np.array([unit[text] for text in self._row_units], np.int32),
                np.repeat(np.array(messages, np.int64), counts),
            )
        )
        for column in (self._seconds, self._values, self._row_names, self._row_units, self._runs):
            column.clear()

    def _refuse(self, chunk: Chunk) -> Bools:
        latest_us = int(LATEST_S) * 1_000_000
        nameless = self.names.get("", -1)
        relative = chunk.time_us < RELATIVE_BELOW_US
        beyond = chunk.time_us >= latest_us
        without = chunk.name_code == nameless
        bad = relative | beyond | without
        if not bad.any():
            return np.zeros(len(bad), bool)
        for row in np.flatnonzero(bad):
            message = int(chunk.message[row])
            if message not in self.errors:
                self.errors[message] = _row_error(chunk, int(row), bool(without[row]))
        return np.isin(chunk.message, list(self.errors))


def microseconds(seconds: Floats) -> Ints:
    """
    Nearest whole microseconds of `seconds`, halves to even; beyond the year 10000 that year.

    The whole seconds are taken off first, so that the result is exact for the number given: a
    double near 2026 stands 0.24 µs apart from its neighbours. NaN counts as beyond.
    """
    bounded = np.where(np.abs(seconds) < LATEST_S, seconds, LATEST_S)
    whole = np.floor(bounded)
    rest: Ints = np.rint((bounded - whole) * 1e6).astype(np.int64)
    return whole.astype(np.int64) * 1_000_000 + rest


def _joined(chunks: list[Chunk]) -> Chunk:
    if len(chunks) == 1:
        return chunks[0]
    if not chunks:
        whole, code = np.empty(0, np.int64), np.empty(0, np.int32)
        return Chunk(whole, code, np.empty(0), code, whole)
    return Chunk(
        np.concatenate([chunk.time_us for chunk in chunks]),
        np.concatenate([chunk.name_code for chunk in chunks]),
        np.concatenate([chunk.value for chunk in chunks]),
        np.concatenate([chunk.unit_code for chunk in chunks]),
        np.concatenate([chunk.message for chunk in chunks]),
    )


def _row_error(chunk: Chunk, row: int, nameless: bool) -> PayloadError:
    if nameless:
        return PayloadError("no_name", "a record has no name. Send the channel's id as its name.")
    seconds = chunk.time_us[row] / 1e6
    if seconds < 0 or chunk.time_us[row] < RELATIVE_BELOW_US:
        return PayloadError(
            "relative_time",
            f"a time resolves to {seconds:.6f} s, which SenML counts from now (below 2**28). Send "
            "seconds since 1970 UTC, for example as base time.",
        )
    return PayloadError(
        "time_range", "a time lies beyond the year 9999. Send seconds since 1970 UTC."
    )
