"""
The system calls that durable writing needs, in one place so that a test can make any of them fail.

Nothing else in the store calls `os.write`, `os.fsync`, `os.replace` or `os.unlink` for its files.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

_NO_PREALLOCATION = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)


class Disk:
    """The real system calls; every method raises OSError as the system does."""

    def open(self, path: Path, flags: int) -> int:
        """File descriptor of `path`, mode 0640 where it is created, not inherited by children."""
        return os.open(path, flags | os.O_CLOEXEC, 0o640)

    def close(self, descriptor: int) -> None:
        """Close a descriptor."""
        os.close(descriptor)

    def write(self, descriptor: int, payload: bytes | memoryview, offset: int) -> None:
        """Write all of `payload` at `offset`; a short write goes on until it is complete."""
        view = memoryview(payload)
        while view:
            written = os.pwrite(descriptor, view, offset)
            if written <= 0:
                raise OSError(errno.EIO, "the system wrote nothing and gave no reason")
            view = view[written:]
            offset += written

    def preallocate(self, descriptor: int, offset: int, size: int) -> None:
        """Reserve `size` zero bytes from `offset`; a file system without that gets none."""
        try:
            os.posix_fallocate(descriptor, offset, size)
        except OSError as error:
            if error.errno not in _NO_PREALLOCATION:
                raise

    def truncate(self, descriptor: int, size: int) -> None:
        """Cut the file to `size` bytes."""
        os.ftruncate(descriptor, size)

    def sync(self, descriptor: int) -> None:
        """All bytes and the size of the file are on the medium when this returns."""
        os.fsync(descriptor)

    def sync_bytes(self, descriptor: int) -> None:
        """As `sync` without the time stamps: cheaper within preallocated space."""
        os.fdatasync(descriptor)

    def replace(self, source: Path, target: Path) -> None:
        """Give `source` the name `target` in one step."""
        os.replace(source, target)

    def unlink(self, path: Path) -> None:
        """Remove a file."""
        os.unlink(path)

    def sync_folder(self, folder: Path) -> None:
        """Names made, changed and removed in `folder` are on the medium when this returns."""
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            with contextlib.suppress(OSError):  # the sync has already said all there is to say
                os.close(descriptor)


REAL_DISK = Disk()
