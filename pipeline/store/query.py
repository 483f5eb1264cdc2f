"""
Read a span of time from the archive: the files are named from the dates, only those are opened.

Filters stand on time and names only: Parquet's statistics leave NaN out, and a filter on a value
would lose rows without a word. Every column that is read is checked against its hash.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import StorageError
from pipeline.store.archive import SCHEMAS, Archive
from pipeline.store.layout import DAY_US, Kind
from pipeline.store.parquet import read_parquet

# The columns by which rows are chosen: the name and the time.
_KEYS: dict[Kind, tuple[str, str]] = {
    "raw": ("channel", "time"),
    "results": ("point", "time"),
    "summary": ("point", "hour"),
}


def read_span(
    archive: Archive,
    kind: Kind,
    names: Collection[str] | None,
    start_us: int,
    end_us: int,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """
    Rows of some points (raw: channels) from a time to a time, by window, name and time.

    Args:
        archive: where.
        kind: raw, results or summary; of the summary, hours that begin in the span.
        names: points or channels; None: all. An unknown name has no rows.
        start_us: first time [µs since 1970 UTC].
        end_us: time before which rows lie, exclusive.
        columns: names of the schema, in the order wanted; None: all.

    Returns:
        Table with the schema's fields and units; empty when there is nothing. A window that a
        seal replaces meanwhile is read as it was or as it is.

    Raises:
        ValueError: a column that the kind has not, or one name instead of a collection.
        StorageError: a file is damaged; the message says what to do.
    """
    if isinstance(names, str):
        raise ValueError(f"names is the text {names!r}; expected a collection of names")
    schema = SCHEMAS[kind]
    wanted = list(schema.names if columns is None else columns)
    unknown = [name for name in wanted if name not in schema.names]
    if unknown:
        raise ValueError(f"{kind} has no column {', '.join(unknown)}; it has {schema.names}")
    target = pa.schema([schema.field(name) for name in wanted], schema.metadata)
    parts = []
    for window in windows_between(archive, kind, start_us, end_us):
        rows = _rows(archive, kind, window, wanted)
        if rows is not None:
            parts.append(_chosen(rows, kind, names, start_us, end_us).select(wanted))
    if not parts:
        return target.empty_table()
    return pa.concat_tables(parts).unify_dictionaries().combine_chunks().cast(target)


def windows_between(archive: Archive, kind: Kind, start_us: int, end_us: int) -> Iterator[int]:
    """Starts of the windows with a file that share a time with the span, ascending."""
    for day in archive.layout.days(kind):
        if day + DAY_US <= start_us or day >= end_us:
            continue
        for window in archive.layout.windows_on(day, kind):
            if window < end_us and archive.end_of(window) > start_us:
                yield window


def _rows(archive: Archive, kind: Kind, window: int, wanted: list[str]) -> pa.Table | None:
    path = archive.layout.path(window, kind)
    try:
        return read_parquet(path, SCHEMAS[kind], [*wanted, *_KEYS[kind]])[0]
    except StorageError:
        if path.exists():
            raise
        return None  # retention removed it between the listing and the reading


def _chosen(
    rows: pa.Table, kind: Kind, names: Collection[str] | None, start_us: int, end_us: int
) -> pa.Table:
    if not rows.num_rows:
        return rows
    name, time = _KEYS[kind]
    times = np.asarray(rows.column(time).combine_chunks().cast(pa.int64()))
    keep = (times >= start_us) & (times < end_us)
    if names is not None:
        asked = pa.array(sorted(set(names)), pa.string())
        merged = rows.column(name).combine_chunks()
        is_asked = np.asarray(pc.is_in(merged.dictionary, value_set=asked))
        keep &= is_asked[np.asarray(merged.indices)]
    return rows if keep.all() else rows.filter(pa.array(keep))
