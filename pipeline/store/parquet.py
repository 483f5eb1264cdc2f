"""
The one place that writes and reads Parquet: checksums, synced, read back before the rename.

pyarrow itself cuts the old file at open, does not sync, and reads a flipped bit without complaint.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.blocks import SCHEMA_VERSION
from pipeline.errors import SealError, StorageError
from pipeline.store.content import column_sha256, content_sha256, storable
from pipeline.store.disk import REAL_DISK, Disk
from pipeline.store.durable import part_name, storage_error, sync_folder

COLUMNS_KEY = "columns_sha256"
CONTENT_KEY = "content_sha256"
_SELF_KEY = "metadata_sha256"
_NOT_OURS = (b"ARROW:schema",)

# What pyarrow raises on a damaged file, seen by flipping every bit of one.
_DAMAGE = (OSError, pa.ArrowException, ValueError, MemoryError)


def write_parquet(
    path: Path,
    table: pa.Table,
    schema: pa.Schema,
    metadata: Mapping[str, str],
    *,
    order: Sequence[str],
    disk: Disk = REAL_DISK,
) -> pa.Table:
    """
    Replace `path` by the rows of `table`, on the medium and read back when this returns.

    Killed at any step, the file is the old or the new one. Written with zstd, page checksums,
    BYTE_STREAM_SPLIT floats and delta-coded integers; dictionaries only for names.

    Args:
        path: ends in `.parquet`; its folder is made when missing.
        table: with the columns of `schema`; NaN is stored as null.
        schema: its own metadata go into the file as well.
        metadata: added to the file; the hashes of the columns are added to them.
        order: columns by which the rows are sorted already.
        disk: the system calls.

    Returns:
        The table in its storable form, equal to what a reader will see.

    Raises:
        SealError: the rows cannot be stored, or do not read back equal; `path` is as before.
        StorageError: the system refused a step.
    """
    rows = storable(table, schema)
    complete = _complete_metadata(schema, rows, metadata)
    part = part_name(path)
    try:
        make_folder(path.parent, disk=disk)
        _write_part(part, rows.replace_schema_metadata(complete), order)
        _sync_and_forget(part, disk)
        _check_reads_back(part, path, schema, complete)
        disk.replace(part, path)
    except OSError as error:
        # A full disk must not be kept full by our own half file.
        with contextlib.suppress(OSError):
            disk.unlink(part)
        raise storage_error(f"{path}: not written", error) from error
    sync_folder(path.parent, disk=disk)
    return rows


def make_folder(folder: Path, *, disk: Disk = REAL_DISK) -> None:
    """Make `folder` and those above it where missing, each name synced; OSError as the system."""
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for each in reversed(missing):
        each.mkdir(mode=0o750, exist_ok=True)
        disk.sync_folder(each.parent)


def read_metadata(path: Path) -> dict[str, str]:
    """
    The metadata of a file that `write_parquet` wrote, texts by name.

    Raises:
        StorageError: missing, not readable, damaged, or written by a later release.
    """
    with _reading(path), pq.ParquetFile(path) as file:
        return _checked_metadata(path, file)


def read_parquet(
    path: Path, schema: pa.Schema, columns: Sequence[str] | None = None
) -> tuple[pa.Table, dict[str, str]]:
    """
    Columns of a file that `write_parquet` wrote, each checked against its hash, and the metadata.

    Args:
        path: the file.
        schema: what is expected in it.
        columns: some of the schema's names, in any order; None: all.

    Raises:
        StorageError: missing, not readable, damaged, of another schema, or of a later release.
    """
    chosen = [f for f in schema if columns is None or f.name in columns]
    with _reading(path), pq.ParquetFile(path, page_checksum_verification=True) as file:
        metadata = _checked_metadata(path, file)
        found = file.schema_arrow
        if found.names != schema.names or found.types != schema.types:
            raise _damaged(path, f"its columns are {', '.join(found.names)}")
        read = file.read([f.name for f in chosen])
        read.validate(full=True)  # a damaged page can hold codes beyond its dictionary
    try:
        rows = storable(read, pa.schema(chosen, schema.metadata))
    except SealError as error:
        raise _damaged(path, str(error)) from error
    expected = json.loads(metadata[COLUMNS_KEY])
    for name, digest in column_sha256(rows).items():
        if digest != expected.get(name):
            raise _damaged(path, f'the values of column "{name}" are not those that were written')
    return rows, metadata


def _complete_metadata(
    schema: pa.Schema, rows: pa.Table, metadata: Mapping[str, str]
) -> dict[str, str]:
    columns = column_sha256(rows)
    complete = {key.decode(): text.decode() for key, text in (schema.metadata or {}).items()}
    complete |= metadata
    complete["rows"] = str(rows.num_rows)
    complete[COLUMNS_KEY] = json.dumps(columns)
    complete[CONTENT_KEY] = content_sha256(columns)
    complete[_SELF_KEY] = _metadata_sha256(complete)
    return complete


def _metadata_sha256(metadata: Mapping[str, str]) -> str:
    rest = sorted((key, text) for key, text in metadata.items() if key != _SELF_KEY)
    return hashlib.sha256(json.dumps(rest).encode()).hexdigest()


def _write_part(part: Path, rows: pa.Table, order: Sequence[str]) -> None:
    kinds = {f.name: f.type for f in rows.schema}
    names = [name for name, kind in kinds.items() if pa.types.is_dictionary(kind)]
    encodings = {
        name: "BYTE_STREAM_SPLIT" if pa.types.is_floating(kind) else "DELTA_BINARY_PACKED"
        for name, kind in kinds.items()
        if name not in names
    }
    sorting = pq.SortingColumn.from_ordering(rows.schema, [(name, "ascending") for name in order])
    pq.write_table(
        rows,
        part,
        compression="zstd",
        compression_level=1,
        use_dictionary=names,
        column_encoding=encodings,
        sorting_columns=sorting,
        write_page_checksum=True,
    )


def _sync_and_forget(part: Path, disk: Disk) -> None:
    descriptor = disk.open(part, os.O_RDWR)
    try:
        disk.sync(descriptor)
        # The read-back shall see the medium, not the system's copy in memory.
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        disk.close(descriptor)


def _check_reads_back(
    part: Path, path: Path, schema: pa.Schema, expected: Mapping[str, str]
) -> None:
    try:
        _, found = read_parquet(part, schema)
    except StorageError as error:
        raise _not_equal(path) from error
    if found != expected:
        raise _not_equal(path)


def _not_equal(path: Path) -> SealError:
    return SealError(
        f"{path}: what was written beside it does not read back equal; the file was not replaced "
        "and its source is kept. Medium or memory is failing: run `spanwarden doctor`, read the "
        "kernel's log, change the medium."
    )


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError as error:
        raise StorageError(f"{path}: the file is missing. Seal or rebuild its window.") from error
    except _DAMAGE as error:
        if isinstance(error, OSError) and error.errno:  # the system's own; pyarrow gives none
            raise storage_error(f"{path}: not read", error) from error
        raise _damaged(path, str(error)) from error


def _checked_metadata(path: Path, file: pq.ParquetFile) -> dict[str, str]:
    stored = file.metadata.metadata or {}
    found = {key.decode(): text.decode() for key, text in stored.items() if key not in _NOT_OURS}
    if found.get(_SELF_KEY) != _metadata_sha256(found):
        raise _damaged(path, "its metadata are not those that were written")
    version = int(found["schema_version"])
    if version > SCHEMA_VERSION:
        raise StorageError(
            f"{path}: written with schema version {version}; this release reads up to "
            f"{SCHEMA_VERSION}. Use the release that wrote it ({found.get('software', 'unknown')})."
        )
    return found


def _damaged(path: Path, what: str) -> StorageError:
    return StorageError(
        f"{path}: damaged, {what}. A medium or a memory is failing. Results and summary: run "
        "`spanwarden rebuild`, which makes them again from raw. Raw: put the file back from a "
        "copy, and keep the damaged one."
    )
