"""
Remove what is older than the site keeps: whole windows of each kind, and superseded revisions.

Only what is final goes, and never the newest results: they hold the state that the chain goes on
from. Journals nothing; the caller does.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import StorageError
from pipeline.store.archive import Archive
from pipeline.store.disk import REAL_DISK, Disk
from pipeline.store.durable import part_name, storage_error, sync_folder
from pipeline.store.layout import DAY_US, KINDS, Kind


@dataclass(frozen=True)
class KeepDays:
    """How long each kind is kept [days]; 0: for good."""

    raw: int = 0
    results: int = 0
    summary: int = 0
    superseded: int = 400


@dataclass(frozen=True)
class Removed:
    """One file that retention removed."""

    kind: Kind
    window_us: int
    path: Path
    size: int
    """[bytes]"""
    superseded: bool


@dataclass(frozen=True)
class Retention:
    """What one run removed, and what it had to leave."""

    removed: tuple[Removed, ...]
    """By kind and time; gone from the medium."""
    damaged: tuple[str, ...]
    """Messages of files that stay because they are damaged: they may not have been final."""


def remove_expired(
    archive: Archive, keep: KeepDays, now_us: int, *, disk: Disk = REAL_DISK
) -> Retention:
    """
    Remove the files of windows that ended more than the kept days ago, and old revisions.

    A window counts from its end, a superseded file from the revision that replaced it. Raw that
    is not final stays however old, as do results and summaries that are not. Time goes no further
    than the newest window's end: a clock that is years ahead must not empty the archive.

    Args:
        archive: where.
        keep: days a kind.
        now_us: time by the station's clock [µs since 1970 UTC].
        disk: the system calls.

    Raises:
        StorageError: the system refused; what was removed before that is gone.
    """
    removed: list[Removed] = []
    damaged: list[str] = []
    days = {"raw": keep.raw, "results": keep.results, "summary": keep.summary}
    with archive.writing():
        now_us = min(now_us, _newest_end(archive))
        for kind in KINDS:
            for window in _expired(archive, kind, days[kind], now_us):
                path = archive.layout.path(window, kind)
                try:
                    if archive.metadata(window, kind).get("status") != "final":
                        continue
                except StorageError as error:
                    damaged.append(str(error))
                    continue
                removed.append(_remove(kind, window, path, False, disk))
            for window, revised, path in archive.layout.revisions(kind):
                if keep.superseded and revised + keep.superseded * DAY_US <= now_us:
                    removed.append(_remove(kind, window, path, True, disk))
    return Retention(tuple(removed), tuple(damaged))


def _newest_end(archive: Archive) -> int:
    newest = [windows[-1] for kind in KINDS if (windows := archive.windows(kind))]
    return archive.end_of(max(newest)) if newest else 0


def _expired(archive: Archive, kind: Kind, days: int, now_us: int) -> Iterator[int]:
    windows = archive.windows(kind) if days else []
    for window in windows[:-1] if kind == "results" else windows:
        if archive.end_of(window) + days * DAY_US > now_us:
            return
        yield window


def _remove(kind: Kind, window: int, path: Path, superseded: bool, disk: Disk) -> Removed:
    try:
        size = path.stat().st_size
        disk.unlink(path)
        # Left by a seal that was killed; nobody would ever overwrite it now.
        with contextlib.suppress(FileNotFoundError):
            disk.unlink(part_name(path))
        sync_folder(path.parent, disk=disk)
        with contextlib.suppress(OSError):  # another window's file is in it
            os.rmdir(path.parent)
    except OSError as error:
        raise storage_error(f"{path}: not removed", error) from error
    return Removed(kind, window, path, size, superseded)
