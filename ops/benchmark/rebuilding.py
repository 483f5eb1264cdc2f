"""
Rebuild of an archive beside what the same bytes cost in plain pyarrow, without any of its checks.
"""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from chain_alone import deck_readings, median_s
from surroundings import BenchmarkError

from pipeline.station.machine import Setup
from pipeline.station.sealing import provenance
from pipeline.store.archive import Archive
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.rebuild import rebuild
from pipeline.store.seal import seal_onward

KINDS = ("raw", "results")


@dataclass(frozen=True)
class RebuildTimes:
    """Medians of three with a warm page cache; seconds."""

    windows: int
    rows: int
    compare_s: float
    """Everything derived again and compared; nothing written."""
    replace_s: float
    """The same with results and summary missing, so that all are written."""
    chain_s: float
    """The chain over the same windows in memory: what any rebuild must do."""
    read_s: float
    """Plain reading of raw and results."""
    rewrite_s: float
    """Plain reading of raw, and writing of results and summary as the archive sets it."""


def measure_rebuild(folder: Path, setup: Setup, rows: int, interval_s: float) -> RebuildTimes:
    """
    Seal about `rows` readings of the deck at this interval, then rebuild them.

    Raises:
        BenchmarkError: a rebuild did not give what was sealed.
    """
    readings = deck_readings(rows, interval_s)
    archive = Archive(folder, setup.structure.id, 24)
    chain = ChainOfPlan(setup.plan)
    made_by = provenance(setup.site, setup, time.time_ns() // 1000)
    seal_onward(archive, readings, chain, made_by, lambda window: False)

    def compare() -> None:
        if not rebuild(archive, chain, made_by, dry_run=True).is_equal:
            raise BenchmarkError("a rebuild differs from what was sealed")

    def replace() -> None:
        for kind in ("results", "summary"):
            shutil.rmtree(archive.layout.folder / kind)
        report = rebuild(archive, chain, made_by)
        if not all(one.replaced for one in report.windows):
            raise BenchmarkError("a rebuild left a window whose results were missing")

    compare_s, replace_s = median_s(compare), median_s(replace)
    compare()
    raws = [archive.read_raw(window) for window in archive.windows()]

    def derive() -> None:
        state = None
        for raw in raws:
            _, state = chain.run(raw, state)

    return RebuildTimes(
        len(raws),
        len(readings),
        compare_s,
        replace_s,
        median_s(derive),
        median_s(lambda: _read(archive)),
        _rewrite_s(archive, folder),
    )


def _files(archive: Archive, kind: str) -> list[Path]:
    return sorted((archive.layout.folder / kind).rglob("*.parquet"))


def _read(archive: Archive) -> None:
    for kind in KINDS:
        for path in _files(archive, kind):
            pq.ParquetFile(path).read()


def _rewrite_s(archive: Archive, folder: Path) -> float:
    plain = folder / "plain"
    plain.mkdir()
    made = [
        pq.ParquetFile(p).read() for kind in ("results", "summary") for p in _files(archive, kind)
    ]

    def rewrite() -> None:
        for path in _files(archive, "raw"):
            pq.ParquetFile(path).read()
        for number, table in enumerate(made):
            _write(plain / f"{number}.parquet", table)

    return median_s(rewrite)


def _write(path: Path, table: pa.Table) -> None:
    """As `pipeline.store.parquet` sets it, without sorting, hashes, syncs and reading back."""
    names = [f.name for f in table.schema if pa.types.is_dictionary(f.type)]
    encodings = {
        f.name: "BYTE_STREAM_SPLIT" if pa.types.is_floating(f.type) else "DELTA_BINARY_PACKED"
        for f in table.schema
        if f.name not in names
    }
    pq.write_table(
        table,
        path,
        compression="zstd",
        compression_level=1,
        use_dictionary=names,
        column_encoding=encodings,
        write_page_checksum=True,
    )
