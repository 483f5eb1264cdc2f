"""
The archive of one structure: its windows' files, read and written whole, and what was superseded.

Raw, results and summary lie in folders that any Parquet reader opens; see `layout` for the names.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal

import pyarrow as pa

from pipeline.blocks import READINGS_SCHEMA, RESULTS_SCHEMA, Ints, Readings, Results
from pipeline.errors import StorageError
from pipeline.store.disk import REAL_DISK, Disk
from pipeline.store.durable import replace_durably, storage_error, sync_folder
from pipeline.store.layout import Kind, Layout
from pipeline.store.parquet import make_folder, read_metadata, read_parquet, write_parquet
from pipeline.store.summary import SUMMARY_SCHEMA

Status = Literal["provisional", "final"]

SCHEMAS: Mapping[Kind, pa.Schema] = {
    "raw": READINGS_SCHEMA,
    "results": RESULTS_SCHEMA,
    "summary": SUMMARY_SCHEMA,
}
_ORDER: Mapping[Kind, tuple[str, ...]] = {
    "raw": ("channel", "time"),
    "results": ("point", "time"),
    "summary": ("point", "quantity", "hour"),
}
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV)


class Archive:
    """
    Windows of one structure on disk; every read checks the hashes of what it reads.

    Args:
        root: the data folder; the archive is in `{root}/{structure}/archive`.
        structure: id of the structure.
        window_h: length of new windows, 1 or 24; a date that has files keeps theirs.
        disk: the system calls.
    """

    def __init__(
        self, root: Path, structure: str, window_h: int, *, disk: Disk = REAL_DISK
    ) -> None:
        self.layout = Layout(root, structure, window_h)
        self.structure = structure
        self._disk = disk

    def window_of(self, time_us: Ints) -> Ints:
        """Start of the window in which each time lies [µs since 1970 UTC]."""
        return self.layout.window_of(time_us)

    def end_of(self, window_us: int) -> int:
        """First microsecond after a window."""
        return self.layout.end_of(window_us)

    def windows(self, kind: Kind = "raw") -> list[int]:
        """Starts of all windows that have a file, ascending."""
        return self.layout.windows(kind)

    def has(self, window_us: int, kind: Kind) -> bool:
        """Whether a window has a file of this kind."""
        return self.layout.path(window_us, kind).exists()

    def read(self, window_us: int, kind: Kind) -> tuple[pa.Table, dict[str, str]]:
        """
        A window's whole file of any kind and its metadata.

        Raises:
            StorageError: missing, not readable or damaged; the message says what to do.
        """
        return read_parquet(self.layout.path(window_us, kind), SCHEMAS[kind])

    def read_raw(self, window_us: int) -> Readings:
        """A window's readings, sorted by channel and time; StorageError as `read`."""
        return Readings(self.read(window_us, "raw")[0])

    def read_results(self, window_us: int) -> Results:
        """A window's results, sorted by point and time; StorageError as `read`."""
        return Results(self.read(window_us, "results")[0])

    def read_known(self, window_us: int, kind: Kind, at_us: int) -> tuple[pa.Table, dict[str, str]]:
        """
        A window's file as it stood at a time [µs since 1970 UTC], and its metadata.

        The first revision after that time has it, else the file of today: look at `sealed`. What
        was replaced while provisional, or removed by retention, is not known any more.

        Raises:
            StorageError: missing, not readable or damaged.
        """
        for _, revised_us, path in self.layout.revisions(kind, window_us):
            if revised_us > at_us:
                return read_parquet(path, SCHEMAS[kind])
        return self.read(window_us, kind)

    def metadata(self, window_us: int, kind: Kind) -> dict[str, str]:
        """
        The metadata of a window's file, texts by name; empty when there is no file.

        Every kind has `schema_version`, `software`, `configuration_sha256`, `calibrations` (JSON),
        `status` (provisional or final), `sealed`, `rows`, `content_sha256` and `columns_sha256`
        (JSON); raw has `complete`; results have `raw_sha256`, `state_in`, `state_out` (texts of
        the chain's states, absent for none), their hashes, and `kept_points` (JSON: point and
        quantity of rows that an earlier configuration made, absent for none); the summary has
        `results_sha256`.

        Raises:
            StorageError: not readable or damaged.
        """
        path = self.layout.path(window_us, kind)
        return read_metadata(path) if path.exists() else {}

    def is_final(self, window_us: int) -> bool:
        """Whether the window's final seal was completed: raw is marked last of all."""
        return self.metadata(window_us, "raw").get("status") == "final"

    def write(
        self,
        window_us: int,
        kind: Kind,
        table: pa.Table,
        metadata: Mapping[str, str],
        *,
        revised_us: int,
    ) -> pa.Table:
        """
        Replace a window's file; a final one is kept in `superseded/` first.

        Args:
            window_us: start of the window.
            kind: which file.
            table: sorted rows with the columns of the kind's schema.
            metadata: texts by name; see `metadata`.
            revised_us: time of the revision, for the name of what is superseded.

        Returns:
            The rows as stored.

        Raises:
            SealError: they do not read back equal; the old file stands.
            StorageError: the system refused a step.
        """
        path = self.layout.path(window_us, kind)
        if path.exists() and self._is_worth_keeping(path):
            self._supersede(window_us, kind, revised_us)
        return write_parquet(
            path, table, SCHEMAS[kind], metadata, order=_ORDER[kind], disk=self._disk
        )

    def set_aside(self, window_us: int, found_us: int) -> Path | None:
        """
        Take a window out of the archive whose readings will all be sealed again.

        Its raw, damaged, is kept in `damaged/`; results and summary go, for they are made anew.

        Args:
            window_us: start of the window.
            found_us: time at which it was found, for the name.

        Returns:
            where raw is kept now; None when there was none.

        Raises:
            StorageError: the system refused a step; call it again.
        """
        source = self.layout.path(window_us, "raw")
        target = self.layout.damaged_path(window_us, found_us)
        derived = [self.layout.path(window_us, kind) for kind in ("results", "summary")]
        with self.writing():
            try:
                for path in (one for one in derived if one.exists()):
                    self._disk.unlink(path)
                    self._disk.sync_folder(path.parent)
                if not source.exists():
                    return None
                make_folder(target.parent, disk=self._disk)
                self._disk.replace(source, target)
                self._disk.sync_folder(target.parent)
                self._disk.sync_folder(source.parent)
            except OSError as error:
                raise storage_error(f"{source}: not set aside", error) from error
        return target

    @staticmethod
    def _is_worth_keeping(path: Path) -> bool:
        try:
            return read_metadata(path).get("status") == "final"
        except StorageError:
            return True  # damaged: what is left of it is for a person to see

    def _supersede(self, window_us: int, kind: Kind, revised_us: int) -> None:
        source = self.layout.path(window_us, kind)
        kept = [path for _, _, path in self.layout.revisions(kind, window_us)]
        if any(path.samefile(source) for path in kept):
            return  # a seal that was killed after this step has done it already
        repeat = 0
        while (target := self.layout.revision_path(window_us, kind, revised_us, repeat)) in kept:
            repeat += 1
        try:
            make_folder(target.parent, disk=self._disk)
            os.link(source, target)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise storage_error(f"{target}: not kept", error) from error
            replace_durably(target, source.read_bytes(), disk=self._disk)
        sync_folder(target.parent, disk=self._disk)

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the archive's lock: one writer at a time, be it a thread or another process."""
        try:
            make_folder(self.layout.folder, disk=self._disk)
            descriptor = self._disk.open(self.layout.folder / ".lock", os.O_RDWR | os.O_CREAT)
        except OSError as error:
            raise storage_error(f"{self.layout.folder}: not locked", error) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            self._disk.close(descriptor)
