"""
Readings that the station has taken and not sealed yet, read from its spool beside it.

The spool belongs to the worker; here its files are only looked at, without its lock. What is being
written at this moment may be missing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.blocks import Readings, concat_readings
from pipeline.errors import SpoolDamageError, StorageError
from pipeline.ingest.gate import accept
from pipeline.station.machine import Setup
from pipeline.store.disk import REAL_DISK
from pipeline.store.segment import SUFFIX, Segment
from pipeline.store.spool import RecordKind

_AT_ONCE = 20_000
_BYTES = 8 << 20
_NO_END = 2**62


def unsealed_readings(folder: Path, setup: Setup, start_us: int, end_us: int) -> Readings:
    """
    What the spool in `folder` holds of a span of time, in order of arrival; also what is sealed
    already, until the station lets it go.

    Args:
        folder: of the spool; a missing one holds nothing.
        setup: of the structure, which decides what is accepted.
        start_us, end_us: times of the readings, the end exclusive [µs since 1970 UTC].

    Raises:
        StorageError: the system refused to read.
    """
    paths = sorted(folder.glob(f"*{SUFFIX}"))
    firsts = [int(path.stem) for path in paths if path.stem.isdecimal()]
    parts = []
    for path, stop in zip(paths, [*firsts[1:], _NO_END], strict=False):
        for readings in _of_segment(path, stop, setup):
            time = readings.column("time").astype(np.int64)
            parts.append(readings.take((time >= start_us) & (time < end_us)))
    return concat_readings(parts)


def _of_segment(path: Path, stop: int, setup: Setup) -> list[Readings]:
    found: list[Readings] = []
    try:
        segment = Segment.open(path, REAL_DISK)
        position = segment.first
        while position < stop:
            try:
                records = segment.read(position, stop, _AT_ONCE, _BYTES)
            except SpoolDamageError as damage:  # the worker journals it; the end looks like it
                position = damage.resume_at
                continue
            if not records:
                break
            position = records[-1].position + 1
            messages = [r for r in records if r.kind == RecordKind.MESSAGE]
            if messages:
                found.append(accept(messages, setup.gate).readings)
    except StorageError:
        if path.exists():
            raise
        return found  # dropped meanwhile: all of it is sealed
    except FileNotFoundError:
        return found
    except OSError as error:
        raise StorageError(
            f"{path}: the spool is not read: {error.strerror or error}. Run this as the station's "
            "user, or wait until the window is sealed."
        ) from error
    return found
