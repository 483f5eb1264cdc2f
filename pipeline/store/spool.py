"""
The spool: everything the station decides from, in one order, on the medium before it is answered.

Append-only segments of framed records, synced in groups; one process, one folder.
"""

from __future__ import annotations

import fcntl
import os
import threading
import time
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import SpoolDamageError, StorageError
from pipeline.store.disk import REAL_DISK, Disk
from pipeline.store.durable import storage_error
from pipeline.store.frame import Record, RecordKind, encode_frames
from pipeline.store.segment import HEADER_BYTES, SUFFIX, Segment

__all__ = ["Record", "RecordKind", "Spool", "SpoolStatistics"]


@dataclass(frozen=True)
class SpoolStatistics:
    """What the spool holds and has done since it was opened; sizes in bytes of frames."""

    records: int
    """Positions from the first held to the next."""
    bytes: int
    segments: int
    oldest_received_us: int | None
    """None: empty, or the oldest record cannot be read."""
    torn_bytes_truncated: int
    """Cut off the end at opening: a group that was never acknowledged."""
    damaged_segments: int
    """Seen at opening: a broken header, or damage in the last segment; reads name the place."""
    appended: int
    sync_count: int
    sync_seconds_total: float
    sync_seconds_max: float
    failure: str | None
    """Why nothing more can be appended, or None."""


class Spool:
    """
    Records with positions that count from 0 and never start again.

    Any thread may append, one group at a time; any thread may read, one at a time; neither waits
    for the other. After a failed write or sync nothing can be appended until the spool is opened
    again, and what was not durable by then is no longer read.
    """

    def __init__(
        self, folder: Path, lock: int, segments: list[Segment], segment_bytes: int, disk: Disk
    ) -> None:
        self._folder = folder
        self._lock = lock
        self._segments = segments
        self._segment_bytes = segment_bytes
        self._disk = disk
        self._writing = threading.Lock()
        self._reading = threading.Lock()
        self._state = threading.Condition()
        self._next = self._durable = 0
        self._is_closed = False
        self._oldest: tuple[int, int] | None = None
        self._seen = SpoolStatistics(0, 0, 0, None, 0, 0, 0, 0, 0.0, 0.0, None)

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        segment_bytes: int = 16 << 20,
        at_least: int = 0,
        disk: Disk = REAL_DISK,
    ) -> Spool:
        """
        Open the spool in `folder`, made when missing; cut off what a crash tore at the end.

        Args:
            segment_bytes: a segment is closed when the next group would make it larger.
            at_least: the ledger's position. After a power loss the ledger may be ahead of records
                that were appended without a sync; positions then go on from there.

        Raises:
            StorageError: another process has it open, or the system refused.
            StateVersionError: a newer release wrote it.
        """
        try:
            folder.mkdir(parents=True, exist_ok=True)
            lock = _lock(folder)
            try:
                return cls._opened(folder, lock, segment_bytes, at_least, disk)
            except BaseException:
                os.close(lock)
                raise
        except OSError as error:
            raise storage_error(f"{folder}: spool not opened", error) from error

    @classmethod
    def _opened(
        cls, folder: Path, lock: int, segment_bytes: int, at_least: int, disk: Disk
    ) -> Spool:
        for part in folder.glob(f".*{SUFFIX}.part"):
            disk.unlink(part)
        segments = [Segment.open(path, disk) for path in sorted(folder.glob(f"*{SUFFIX}"))]
        damaged = sum(not segment.has_sound_header for segment in segments)
        torn, position, is_damaged = 0, at_least, False
        if segments:
            recovery = segments[-1].recover(segment_bytes)
            torn, position = recovery.torn_bytes, recovery.next_position
            is_damaged = recovery.is_damaged
        # A damaged segment takes no more records, so that only closed ones hold damage.
        if not segments or position < at_least or is_damaged:
            if segments:
                segments[-1].finish()
            first = max(position, at_least)
            segments.append(Segment.create(folder, first, position, segment_bytes, disk))
            position = first
        spool = cls(folder, lock, segments, segment_bytes, disk)
        spool._next = spool._durable = position
        spool._seen = replace(
            spool._seen, torn_bytes_truncated=torn, damaged_segments=damaged + is_damaged
        )
        return spool

    @property
    def first_position(self) -> int:
        """Position of the oldest record held; `next_position` when there is none."""
        with self._state:
            return self._segments[0].first

    @property
    def next_position(self) -> int:
        """Position that the next record will get."""
        with self._state:
            return self._next

    @property
    def durable_position(self) -> int:
        """All records below this position are on the medium."""
        with self._state:
            return self._durable

    def append(self, records: Sequence[Record], *, sync: bool = True) -> int:
        """
        Append a group with one write and, with `sync`, one sync; their own positions are ignored.

        Readers see the group when this returns. Only after a return with `sync` may anything of
        it be acknowledged.

        Returns:
            Position of the last record of the group; of the last one before, if it is empty.

        Raises:
            ValueError: a record does not fit in a frame; nothing was written, the spool goes on.
            StorageError: the write or the sync failed, now or before: acknowledge nothing.
        """
        with self._writing:
            self._require_usable()
            first = self._next
            parts = encode_frames(records, first, first - self._durable)
            try:
                if parts:
                    self._make_room(sum(map(len, parts)))
                    self._segments[-1].append(parts)
                end = first + len(records)
                if sync and end > self._durable:
                    self._sync(end)
            except OSError as error:
                raise self._fail(error) from error
            with self._state:
                self._next = end
                self._seen = replace(self._seen, appended=self._seen.appended + len(records))
                self._state.notify_all()
            return end - 1

    def sync(self) -> None:
        """Put everything appended on the medium; raises StorageError as `append` does."""
        with self._writing:
            self._require_usable()
            try:
                if self._next > self._durable:
                    self._sync(self._next)
            except OSError as error:
                raise self._fail(error) from error

    def read(
        self, start: int, *, max_records: int = 20_000, max_bytes: int = 8 << 20
    ) -> list[Record]:
        """
        Records from position `start` on, in order; empty when there are none yet.

        At least one record is returned when there is one, whatever its size. The first may have a
        higher position than `start` where positions were skipped (`at_least` at opening).

        Raises:
            StorageError: `start` was dropped, or the system refused to read.
            SpoolDamageError: the record at `start` was written and cannot be read; those before it
                have been returned by the call before.
        """
        with self._reading:
            with self._state:
                segments = list(self._segments)
                ends = [segment.follows for segment in segments[1:]]
                ends.append(self._next)
            if start < segments[0].first:
                raise StorageError(
                    f"{self._folder}: record {start} was asked for, the oldest held is "
                    f"{segments[0].first}: what is before it was sealed and dropped, or its "
                    "segments were removed. Compare with `spanwarden doctor`; reading can go on "
                    f"at record {segments[0].first}."
                )
            return _read_over(segments, ends, start, max_records, max_bytes)

    def wait_past(self, position: int, timeout_s: float) -> bool:
        """Wait until there is a record at `position` or behind; False: time out, or closed."""
        with self._state:
            return self._state.wait_for(
                lambda: self._next > position or self._is_closed, timeout_s
            ) and (self._next > position)

    def drop_before(self, position: int) -> int:
        """
        Remove whole segments whose records are all below `position`; never the one in use.

        Returns:
            Number of segments removed.

        Raises:
            StorageError: the system refused; the spool itself goes on.
        """
        removed = 0
        with self._reading:
            try:
                while self._drop_oldest(position):
                    removed += 1
                if removed:
                    self._disk.sync_folder(self._folder)
            except OSError as error:
                raise storage_error(f"{self._folder}: old segments not removed", error) from error
        return removed

    def statistics(self) -> SpoolStatistics:
        """What the spool holds now and has done since it was opened."""
        oldest = self._oldest_received_us()
        with self._state:
            return replace(
                self._seen,
                records=self._next - self._segments[0].first,
                bytes=sum(segment.size - HEADER_BYTES for segment in self._segments),
                segments=len(self._segments),
                oldest_received_us=oldest,
            )

    def close(self) -> None:
        """Sync what is not yet durable, and let go of the folder; a second call does nothing."""
        try:
            if not self._is_closed and self._seen.failure is None:
                self.sync()
        finally:
            with self._writing, self._reading, self._state:
                if not self._is_closed:
                    self._is_closed = True
                    self._segments[-1].close()
                    os.close(self._lock)
                self._state.notify_all()

    def _require_usable(self) -> None:
        if self._is_closed:
            raise StorageError(f"{self._folder}: the spool is closed. Open it again.")
        if self._seen.failure is not None:
            raise StorageError(
                f"{self._folder}: takes no records since a write failed: {self._seen.failure} "
                "Mend the cause and restart the station: nothing since then was acknowledged."
            )

    def _make_room(self, size: int) -> None:
        active = self._segments[-1]
        if active.size == HEADER_BYTES or active.size + size <= self._segment_bytes:
            return
        # The old segment must be durable before anything can be behind it.
        if self._next > self._durable:
            self._sync(self._next)
        active.finish()
        fresh = Segment.create(
            self._folder, self._next, self._next, max(self._segment_bytes, size), self._disk
        )
        with self._state:
            self._segments.append(fresh)

    def _sync(self, end: int) -> None:
        begun = time.perf_counter()
        self._segments[-1].sync()
        took = time.perf_counter() - begun
        with self._state:
            self._durable = end
            self._seen = replace(
                self._seen,
                sync_count=self._seen.sync_count + 1,
                sync_seconds_total=self._seen.sync_seconds_total + took,
                sync_seconds_max=max(self._seen.sync_seconds_max, took),
            )

    def _fail(self, error: OSError) -> StorageError:
        failure = storage_error(f"{self._folder}: records not durable", error)
        with self._state:
            self._seen = replace(self._seen, failure=str(failure))
            self._next = self._durable  # what may not be on the medium is no longer read
            self._state.notify_all()
        return failure

    def _drop_oldest(self, position: int) -> bool:
        with self._state:
            if len(self._segments) < 2 or self._segments[1].follows > position:
                return False
            oldest = self._segments[0]
        self._disk.unlink(oldest.path)
        with self._state:
            del self._segments[0]
        return True

    def _oldest_received_us(self) -> int | None:
        first = self.first_position
        if self._oldest is None or self._oldest[0] != first:
            try:
                found = self.read(first, max_records=1)
            except StorageError:  # told by whoever reads for the sake of the records
                return None
            if not found:
                return None
            self._oldest = (first, found[0].received_us)
        return self._oldest[1]


def _read_over(
    segments: list[Segment], ends: list[int], start: int, max_records: int, max_bytes: int
) -> list[Record]:
    records: list[Record] = []
    for index in range(bisect_right(ends, start), len(segments)):
        segment, stop = segments[index], ends[index]
        start = max(start, segment.first)
        if start >= stop or len(records) >= max_records or max_bytes <= 0:
            continue
        try:
            found = segment.read(start, stop, max_records - len(records), max_bytes)
        except SpoolDamageError:
            if records:
                break
            raise
        records += found
        max_bytes -= sum(len(record.payload) for record in found)
        if not found or found[-1].position + 1 < stop:
            break
    return records


def _lock(folder: Path) -> int:
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        os.close(descriptor)
        raise StorageError(
            f"{folder}: another process has the spool open. Stop the other station of this "
            "structure (or wait until it has ended), then start this one."
        ) from error
    except OSError:
        os.close(descriptor)
        raise
    return descriptor
