"""
Every configuration that a station ran is kept whole, with its hash and the time it was recorded.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.errors import ConfigError, Mistake, StorageError
from pipeline.site.files import read_files
from pipeline.site.models import Site

SNAPSHOT_VERSION = 1

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_TIME = "%Y%m%dT%H%M%S.%fZ"
_NAME = re.compile(r"(\d{8}T\d{6}\.\d{6}Z)_([0-9a-f]{12})\.json")


def snapshot(folder: Path) -> tuple[str, dict[str, str]]:
    """
    Hash and texts of every file of a site, by name below `folder`, in order of name.

    Raises:
        ConfigError: a file is missing or cannot be read.
    """
    files, mistakes = read_files(folder)
    if mistakes:
        raise ConfigError(tuple(mistakes))
    return hash_files(files), files


def hash_files(files: Mapping[str, str]) -> str:
    """SHA-256 of names, lengths and bytes in order of name; no two sets of files share it."""
    digest = hashlib.sha256()
    for name in sorted(files):
        content = files[name].encode("utf-8")
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    return digest.hexdigest()


def write_snapshot(site: Site, into: Path, recorded_us: int) -> Path:
    """
    Keep the configuration that `site` was read from; the path of the newest snapshot.

    Written as `{recorded}_{first 12 of the hash}.json`. When the newest one in `into` has the same
    hash, nothing is written. A clock that stepped back does not reorder history: the name is then
    one microsecond after the newest, and `clock` inside says what the clock said.

    Args:
        site: as `read_site` gave it.
        into: folder of the snapshots; made when missing.
        recorded_us: [µs since 1970 UTC] when the station took this configuration.

    Raises:
        ConfigError: the files on disk are no longer those that `site` was read from.
        StorageError: the snapshot cannot be written.
    """
    sha256, files = snapshot(Path(site.folder))
    if sha256 != site.sha256:
        found = f"files with hash {sha256[:12]}"
        expected = f"those that were checked, {site.sha256[:12]}"
        remedy = "The configuration was changed while it was read: start again."
        raise ConfigError((Mistake(site.folder, "", found, expected, remedy),))
    said = _EPOCH + timedelta(microseconds=recorded_us)
    try:
        into.mkdir(parents=True, exist_ok=True)
        newest = max((name for path in into.iterdir() if (name := _NAME.fullmatch(path.name))),
                     key=lambda name: name[1], default=None)  # fmt: skip
        if newest is not None and newest[2] == sha256[:12]:
            return into / newest[0]
        recorded = said if newest is None else max(said, _time(newest[1]) + _MICROSECOND)
        content = {
            "version": SNAPSHOT_VERSION,
            "recorded": recorded.isoformat(),
            "clock": said.isoformat(),
            "sha256": sha256,
            "files": files,
        }
        path = into / f"{recorded.strftime(_TIME)}_{sha256[:12]}.json"
        _replace(path, json.dumps(content, ensure_ascii=False, indent=1).encode())
    except OSError as error:
        raise StorageError(
            f"{into}: the snapshot of the configuration is not written: {error.strerror}. "
            "Make room on the disk, or give the station's user the right to write there."
        ) from error
    return path


def _time(text: str) -> datetime:
    return datetime.strptime(text, _TIME).replace(tzinfo=UTC)


def _replace(path: Path, content: bytes) -> None:
    # The store's own replace is a floor above; a site must be kept before a store is opened.
    part = path.with_name(f".{path.name}.part")
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
