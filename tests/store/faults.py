"""
Disks that fail: at the n-th call as a system does, by a kill, or by a power cut that loses sectors.

The calls themselves are the real ones, on real files.
"""

from __future__ import annotations

import errno
import os
import random
from pathlib import Path

from pipeline.store.disk import Disk

SECTOR = 64  # smaller than any medium's, so that short records are torn too


class Killed(BaseException):
    """The process was killed at this call; no code of ours catches it."""


class FaultyDisk(Disk):
    """
    The real disk until call number `fail_at` (from 0), where `fault` is raised, and ever after.

    A write that fails has written the first half of its bytes.
    """

    def __init__(self, fail_at: int | None = None, fault: BaseException | None = None) -> None:
        self.calls: list[str] = []
        self.fail_at = fail_at
        self.fault = fault or OSError(errno.EIO, os.strerror(errno.EIO))

    def revive(self) -> None:
        """No call fails any more, so that a test can let go of what it opened."""
        self.fail_at = None

    def open(self, path: Path, flags: int) -> int:
        """As the real one, or the fault."""
        self._step("open")
        return super().open(path, flags)

    def write(self, descriptor: int, payload: bytes | memoryview, offset: int) -> None:
        """As the real one, or half of it and the fault."""
        try:
            self._step("write")
        except BaseException:
            super().write(descriptor, payload[: len(payload) // 2], offset)
            raise
        super().write(descriptor, payload, offset)

    def preallocate(self, descriptor: int, offset: int, size: int) -> None:
        """As the real one, or the fault."""
        self._step("preallocate")
        super().preallocate(descriptor, offset, size)

    def truncate(self, descriptor: int, size: int) -> None:
        """As the real one, or the fault."""
        self._step("truncate")
        super().truncate(descriptor, size)

    def sync(self, descriptor: int) -> None:
        """As the real one, or the fault."""
        self._step("sync")
        super().sync(descriptor)

    def sync_bytes(self, descriptor: int) -> None:
        """As the real one, or the fault."""
        self._step("sync_bytes")
        super().sync_bytes(descriptor)

    def replace(self, source: Path, target: Path) -> None:
        """As the real one, or the fault."""
        self._step("replace")
        super().replace(source, target)

    def unlink(self, path: Path) -> None:
        """As the real one, or the fault."""
        self._step("unlink")
        super().unlink(path)

    def sync_folder(self, folder: Path) -> None:
        """As the real one, or the fault."""
        self._step("sync_folder")
        super().sync_folder(folder)

    def _step(self, call: str) -> None:
        number = len(self.calls)
        self.calls.append(call)
        if self.fail_at is not None and number >= self.fail_at:
            raise self.fault


class LossyDisk(FaultyDisk):
    """A disk whose power can be cut: sectors written since the last sync may then be lost."""

    def __init__(self, fail_at: int | None = None, fault: BaseException | None = None) -> None:
        super().__init__(fail_at, fault or Killed())
        self._paths: dict[int, Path] = {}
        self._unsynced: dict[Path, list[tuple[int, bytes]]] = {}

    def open(self, path: Path, flags: int) -> int:
        """As the real one; what a new file of a name holds is its own."""
        descriptor = super().open(path, flags)
        self._paths[descriptor] = path
        if flags & os.O_TRUNC:
            self._unsynced.pop(path, None)
        return descriptor

    def write(self, descriptor: int, payload: bytes | memoryview, offset: int) -> None:
        """Write, and keep what stood there before."""
        before = os.pread(descriptor, len(payload), offset).ljust(len(payload), b"\0")
        self._unsynced.setdefault(self._paths[descriptor], []).append((offset, before))
        super().write(descriptor, payload, offset)

    def sync(self, descriptor: int) -> None:
        """Sync: what was written cannot be lost any more."""
        super().sync(descriptor)
        self._unsynced.pop(self._paths[descriptor], None)

    def sync_bytes(self, descriptor: int) -> None:
        """Sync: what was written cannot be lost any more."""
        super().sync_bytes(descriptor)
        self._unsynced.pop(self._paths[descriptor], None)

    def replace(self, source: Path, target: Path) -> None:
        """As the real one; what is not synced stays so under the new name."""
        super().replace(source, target)
        for descriptor, path in self._paths.items():
            if path == source:
                self._paths[descriptor] = target
        if source in self._unsynced:
            self._unsynced[target] = self._unsynced.pop(source)

    def cut_power(self, chance: random.Random) -> None:
        """Each sector written since its file's last sync is lost with even odds."""
        for path, writes in self._unsynced.items():
            with path.open("r+b") as file:
                for offset, before in reversed(writes):
                    for start in range(0, len(before), SECTOR):
                        if chance.random() < 0.5:
                            file.seek(offset + start)
                            file.write(before[start : start + SECTOR])
        self._unsynced.clear()
