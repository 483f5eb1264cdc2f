"""
Where the archive of one structure keeps what: windows, their names, and the way back from a name.

A window is named from its start in UTC: a day `{structure}_20261125.parquet`, an hour
`{structure}_20261125T07.parquet`, both in `archive/{kind}/date=2026-11-25/`.
"""

from __future__ import annotations

import os
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from pipeline.blocks import Ints
from pipeline.errors import StorageError

Kind = Literal["raw", "results", "summary"]
KINDS: tuple[Kind, ...] = get_args(Kind)
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DATE = re.compile(r"date=(\d{4})-(\d{2})-(\d{2})")
_STAMP = "%Y%m%dT%H%M%S%f"


class Layout:
    """
    Folders and file names of one structure's archive; looks at names only, opens nothing.

    A date keeps the length of window of its first file, so that a changed `window_h` cannot put
    one reading into two files.

    Args:
        root: the data folder; the archive is in `{root}/{structure}/archive`.
        structure: id; must not start with `_` or `.`, which readers of Parquet skip.
        window_h: length of new windows, 1 or 24.
    """

    def __init__(self, root: Path, structure: str, window_h: int) -> None:
        if not structure or structure[0] in "_." or set(structure) & set('/\\\0"'):
            raise StorageError(
                f'structure "{structure}" cannot name an archive; expected a name without slashes '
                "that does not start with _ or a dot, which readers of Parquet skip. Rename it."
            )
        if window_h not in (1, 24):
            raise StorageError(f"window_h is {window_h}; expected 1 or 24. Change it in site.toml.")
        self.structure = structure
        self.window_h = window_h
        self.folder = Path(root) / structure / "archive"
        self.superseded_folder = Path(root) / structure / "superseded"
        self.damaged_folder = Path(root) / structure / "damaged"
        name = re.escape(structure)
        self._file = re.compile(rf"{name}_(\d{{8}})(?:T(\d{{2}}))?\.parquet")
        self._revision = re.compile(
            rf"{name}_(\d{{8}})(?:T(\d{{2}}))?_until_(\d{{8}}T\d{{12}})Z(?:-\d+)?\.parquet"
        )

    def path(self, window_us: int, kind: Kind) -> Path:
        """File of a window, existing or not."""
        start = _EPOCH + timedelta(microseconds=window_us)
        stamp = f"{start:%Y%m%dT%H}" if self.hours_of(window_us) == 1 else f"{start:%Y%m%d}"
        return self._date_folder(kind, window_us) / f"{self.structure}_{stamp}.parquet"

    def hours_of(self, time_us: int) -> int:
        """Length of the windows of the UTC day in which a time lies [h]."""
        for kind in KINDS:
            for _, hours in self._files_in(self._date_folder(kind, time_us)):
                return hours
        return self.window_h

    def window_of(self, time_us: Ints) -> Ints:
        """Start of the window in which each time lies [µs since 1970 UTC], shape as given."""
        times = np.asarray(time_us, np.int64)
        days, of_row = np.unique(times // DAY_US, return_inverse=True)
        hours = np.array([self.hours_of(int(day) * DAY_US) for day in days], np.int64)
        length = hours[of_row].reshape(times.shape) * HOUR_US
        return np.asarray(times // length * length)

    def end_of(self, window_us: int) -> int:
        """First microsecond after a window."""
        return window_us + self.hours_of(window_us) * HOUR_US

    def windows(self, kind: Kind = "raw") -> list[int]:
        """Starts of all windows that have a file, ascending."""
        return [window for day in self.days(kind) for window in self.windows_on(day, kind)]

    def days(self, kind: Kind) -> list[int]:
        """Starts of all UTC days that have a folder, ascending, from their names."""
        found = (_DATE.fullmatch(name) for name in _names(self.folder / kind))
        return sorted(
            _us(datetime(int(m[1]), int(m[2]), int(m[3]), tzinfo=UTC)) for m in found if m
        )

    def windows_on(self, day_us: int, kind: Kind) -> list[int]:
        """Starts of the windows of one UTC day that have a file, ascending."""
        return sorted(window for window, _ in self._files_in(self._date_folder(kind, day_us)))

    def preceding(self, window_us: int, kind: Kind) -> int | None:
        """Nearest earlier window that has a file, or None."""
        days = self.days(kind)
        for day in reversed(days[: bisect_right(days, window_us)]):
            for window in reversed(self.windows_on(day, kind)):
                if window < window_us:
                    return window
        return None

    def following(self, window_us: int, kind: Kind) -> int | None:
        """Nearest later window that has a file, or None."""
        days = self.days(kind)
        for day in days[bisect_left(days, window_us // DAY_US * DAY_US) :]:
            for window in self.windows_on(day, kind):
                if window > window_us:
                    return window
        return None

    def revision_path(self, window_us: int, kind: Kind, revised_us: int, repeat: int) -> Path:
        """File of what a revision at `revised_us` replaced; `repeat` tells apart two at once."""
        path = self.path(window_us, kind)
        stamp = f"{_EPOCH + timedelta(microseconds=revised_us):{_STAMP}}Z"
        number = f"-{repeat}" if repeat else ""
        name = f"{path.stem}_until_{stamp}{number}.parquet"
        return self.superseded_folder / kind / path.parent.name / name

    def damaged_path(self, window_us: int, found_us: int) -> Path:
        """File of raw that was found damaged at `found_us` and made again from the spool."""
        path = self.path(window_us, "raw")
        stamp = f"{_EPOCH + timedelta(microseconds=found_us):{_STAMP}}Z"
        return self.damaged_folder / f"{path.stem}_found_{stamp}.parquet"

    def revisions(self, kind: Kind, window_us: int | None = None) -> list[tuple[int, int, Path]]:
        """Window, time of revision [µs] and file of all that was superseded, oldest first."""
        top = self.superseded_folder / kind
        if window_us is None:
            folders = [top / name for name in _names(top) if _DATE.fullmatch(name)]
        else:
            folders = [top / self._date_folder(kind, window_us).name]
        found = []
        for folder in folders:
            for name in _names(folder):
                if match := self._revision.fullmatch(name):
                    revised = datetime.strptime(match[3], _STAMP).replace(tzinfo=UTC)
                    found.append((_start(match), _us(revised), folder / name))
        return sorted(one for one in found if window_us in (None, one[0]))

    def _date_folder(self, kind: Kind, time_us: int) -> Path:
        return self.folder / kind / f"date={_EPOCH + timedelta(microseconds=time_us):%Y-%m-%d}"

    def _files_in(self, folder: Path) -> Iterator[tuple[int, int]]:
        for name in _names(folder):
            if match := self._file.fullmatch(name):
                yield _start(match), 24 if match[2] is None else 1


def _start(match: re.Match[str]) -> int:
    day = datetime.strptime(match[1], "%Y%m%d").replace(tzinfo=UTC)
    return _us(day) + int(match[2] or 0) * HOUR_US


def _us(time: datetime) -> int:
    return (time - _EPOCH) // timedelta(microseconds=1)


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []
