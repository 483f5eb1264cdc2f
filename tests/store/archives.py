"""A chain with memory, readings in whole windows, and a kill at each file system step."""

from __future__ import annotations

import json
import math
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.blocks import PASS, Readings, Results, concat_readings, concat_results
from pipeline.errors import StateVersionError
from pipeline.store.archive import Archive
from pipeline.store.layout import Kind
from pipeline.store.parquet import CONTENT_KEY
from pipeline.store.seal import Provenance
from tests.store.faults import Killed

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
# 2026-11-24T00:00:00Z, a Tuesday: 20,781 days after 1970-01-01.
START_US = 20_781 * DAY_US


class LagChain:
    """
    Each channel becomes a point whose value follows the reading with a first-order lag.

    A lag of four hours forgets e^-6 of a moved edge in a day. Of contradictions the first counts.

    Args:
        gain: stands for the configuration.
        lag_h: time constant.
    """

    version = 1

    def __init__(self, gain: float = 1.0, lag_h: float = 4.0) -> None:
        self.gain = gain
        self.lag_us = lag_h * HOUR_US
        self.runs = 0

    def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
        """As `Chain.run`."""
        self.runs += 1
        memory = self._memory(state)
        codes, names = readings.channel_codes()
        time, value = readings.column("time"), readings.column("value")
        parts = []
        for code in sorted(set(codes.tolist()), key=lambda one: names[one]):
            rows = codes == code
            times, first = np.unique(time[rows].astype(np.int64), return_index=True)
            level = self._followed(names[code], times, value[rows][first], memory)
            columns: dict[str, npt.ArrayLike] = {"value": level, "tests": 0 * times}
            columns["flag"] = np.full(len(times), PASS)
            parts.append(Results.from_columns(times, f"P-{names[code]}", "strain", columns))
        after = {"version": self.version, "memory": memory}
        return concat_results(parts), json.dumps(after, sort_keys=True)

    def _followed(
        self, name: str, times: Any, values: Any, memory: dict[str, list[float]]
    ) -> list[float]:
        level = []
        for time, value in zip(times.tolist(), values.tolist(), strict=True):
            then, was = memory.get(name, [time, value])
            now = value + (was - value) * math.exp(-(time - then) / self.lag_us)
            memory[name] = [time, now]
            level.append(self.gain * now)
        return level

    def _memory(self, state: str | None) -> dict[str, list[float]]:
        if state is None:
            return {}
        saved = json.loads(state)
        if saved["version"] != self.version:
            raise StateVersionError("chain state", saved["version"], self.version)
        return dict(saved["memory"])

    def distance(self, a: str, b: str) -> float:
        """As `Chain.distance`."""
        of_a, of_b = self._memory(a), self._memory(b)
        if of_a.keys() != of_b.keys():
            return math.inf
        return self.gain * max((abs(of_a[n][1] - of_b[n][1]) for n in of_a), default=0.0)


def provenance(now_us: int = START_US + 40 * DAY_US, configuration: str = "c0ffee") -> Provenance:
    """A provenance that names everything it may."""
    return Provenance("0.1.0", configuration, ("B12", "B13"), now_us, units=(("P-NS-01", "µm/m"),))


def steady(channel: str, day: int, days: int = 1, step_h: float = 3.0) -> Readings:
    """Readings of a channel from the start of day `day` after `START_US`, received a second on."""
    count = int(days * 24 / step_h)
    time = START_US + day * DAY_US + (np.arange(count) * step_h * HOUR_US).astype(np.int64)
    value = 100.0 * np.sin(time / (5.7 * HOUR_US)) + len(channel)
    return Readings.from_columns(time, [channel] * count, value, time + 1_000_000)


def one_reading(channel: str, time_us: int, value: float, sequence: int | None = None) -> Readings:
    """A single reading, received a second after its time."""
    return Readings.from_columns(
        [time_us], [channel], [value], time_us + 1_000_000, pa.array([sequence], pa.int64())
    )


def three_days(channels: Iterable[str] = ("NS-01", "NS-02")) -> Readings:
    """Three windows of a day of some channels."""
    return concat_readings(steady(channel, 0, 3) for channel in channels)


def contents(archive: Archive, kinds: Iterable[Kind] = ("raw", "results")) -> dict[str, str]:
    """Hash of the values of every file, by kind and window; each file is read and checked."""
    found = {}
    for kind in kinds:
        for window in archive.windows(kind):
            found[f"{kind} {window}"] = archive.read(window, kind)[1][CONTENT_KEY]
    return found


def file_marks(folder: Path) -> dict[str, tuple[int, int]]:
    """Inode and time of change of every file under a folder, by its name."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != ".lock")
    return {str(path.relative_to(folder)): _mark(path) for path in files}


def _mark(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_ino, found.st_mtime_ns


class Steps:
    """Counts steps; each call that changes the file system has one before and one after."""

    def __init__(self, kill_at: int | None) -> None:
        self.kill_at = kill_at
        self.names: list[str] = []

    def step(self, name: str) -> None:
        """Count one; killed once the number is reached, and at every step after it."""
        self.names.append(name)
        if self.kill_at is not None and len(self.names) > self.kill_at:
            raise Killed(name)

    def around(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        """The call with a step before it and one after it."""

        def call(*args: Any, **options: Any) -> Any:
            of = ""
            if name == "fsync":
                of = " folder" if stat.S_ISDIR(os.fstat(args[0]).st_mode) else " file"
            self.step(f"before {name}{of}")
            outcome = real(*args, **options)
            self.step(f"after {name}{of}")
            return outcome

        return call

    def half_written(self, real: Callable[..., Any]) -> Callable[..., Any]:
        """`write_table` that, killed at its first step, leaves half of the file."""

        def call(table: Any, path: Path, **options: Any) -> None:
            real(table, path, **options)
            try:
                self.step("half of write_table")
            except Killed:
                os.truncate(path, path.stat().st_size // 2)
                raise
            self.step("after write_table")

        return call


@contextmanager
def killed_at(step: int | None) -> Iterator[Steps]:
    """Within, the file system's calls are counted, and the process dies at step `step`."""
    steps = Steps(step)
    with ExitStack() as patches:
        for name in ("fsync", "replace", "link", "unlink", "mkdir"):
            patches.enter_context(
                mock.patch.object(os, name, steps.around(name, getattr(os, name)))
            )
        written = steps.half_written(pq.write_table)
        patches.enter_context(mock.patch.object(pq, "write_table", written))
        yield steps
