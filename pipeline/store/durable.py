"""
The one way to replace a file so that a crash leaves the old or the new one, never a part.

Write beside under a name that readers skip, sync, rename, sync the folder (design, principle 6).
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from pipeline.errors import StorageError
from pipeline.store.disk import REAL_DISK, Disk

_REMEDIES = {
    errno.ENOSPC: "The disk is full: make room; nothing is removed that is not sealed",
    errno.EDQUOT: "The quota is used up: raise it or make room",
    errno.EIO: "The medium failed: read the kernel's log, copy the folder away, change the medium",
    errno.EROFS: "The file system is read-only, often after a fault of the medium: read the "
    "kernel's log",
    errno.EACCES: "Give the station's user the right to write there",
    errno.EPERM: "Give the station's user the right to write there",
    errno.ENOENT: "Make the folder, or mend the path in the configuration",
    errno.EMFILE: "Raise the limit of open files of the service",
}


def part_name(path: Path) -> Path:
    """Name under which `path` is written before it is renamed; a leading dot: readers skip it."""
    return path.with_name(f".{path.name}.part")


def replace_durably(path: Path, payload: bytes, *, disk: Disk = REAL_DISK) -> None:
    """
    Make `payload` the whole content of `path`, on the medium when this returns.

    Killed at any step the file is the old one or the new one, never a part; what may be left is
    `part_name(path)`, which the next call overwrites. One writer a path: two at the same time
    would share that name.

    Raises:
        StorageError: the system refused a step, or the folder is missing. Before the rename the
            old file stands as it was; when only the folder's sync failed, either may be found
            after a power loss.
    """
    part = part_name(path)
    try:
        descriptor = disk.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        try:
            disk.write(descriptor, payload, 0)
            disk.sync(descriptor)
        finally:
            disk.close(descriptor)
        disk.replace(part, path)
        disk.sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):  # the first error is the one to tell
            disk.unlink(part)
        raise storage_error(f"{path}: not replaced", error) from error


def sync_folder(path: Path, *, disk: Disk = REAL_DISK) -> None:
    """
    Put the names in the folder `path` on the medium: after a rename, a new file or a removal.

    Raises:
        StorageError: the system refused.
    """
    try:
        disk.sync_folder(path)
    except OSError as error:
        raise storage_error(f"{path}: the folder is not synced", error) from error


def storage_error(what: str, error: OSError) -> StorageError:
    """StorageError that says what was not done, why the system refused, and what to do."""
    remedy = _REMEDIES.get(error.errno or 0, "Run `spanwarden doctor` and read the kernel's log")
    return StorageError(f"{what}: {error.strerror or error}. {remedy}.")
