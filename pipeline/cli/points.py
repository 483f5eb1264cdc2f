"""
`spanwarden points`: for each measuring point its gauge, latest value and the figures of a span.
"""

from __future__ import annotations

import argparse
import json
import time
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.cli.options import (
    US,
    add_site,
    add_structure,
    cautions,
    local_time,
    site_of,
    table,
    utc_us,
)
from pipeline.site.models import Placement, Point, Site, Structure
from pipeline.station.layout import layout_of, structure_of
from pipeline.store.archive import Archive
from pipeline.store.query import read_span

EXAMPLE = """example:
  spanwarden points --site config/quillmere --structure quill-deck
  spanwarden points --site config/quillmere --structure quill-deck --from 2026-09-01 --to 2026-09-08

Reads the sealed archive; the newest window may still be provisional."""

HOUR_US = 3600 * US
HEAD = [
    "point",
    "gauge",
    "unit",
    "readings",
    "flagged",
    "min",
    "mean",
    "max",
    "latest",
    "±U95",
    "at",
]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Site, structure, span."""
    add_site(parser)
    add_structure(parser)
    parser.add_argument("--from", dest="start", type=utc_us, help="default: a day before --to")
    parser.add_argument("--to", dest="end", type=utc_us, help="default: now")
    parser.add_argument("--json", action="store_true", help="for programs")


def run(options: argparse.Namespace) -> int:
    """Print the table; 1 when the span holds nothing."""
    site = site_of(options)
    structure = structure_of(site, options.structure)
    layout = layout_of(site, structure.id)
    end = options.end if options.end is not None else time.time_ns() // 1000
    start = options.start if options.start is not None else end - 24 * HOUR_US
    archive = Archive(layout.data, structure.id, site.storage.window_h)
    columns = ["point", "time", "value", "u", "flag"]
    rows = read_span(archive, "results", None, start, end, columns)
    figures = {point.id: _figures(rows, point) for point in structure.points}
    if options.json:
        print(json.dumps(figures, ensure_ascii=False))
    else:
        print(_page(site, structure, figures, start, end))
    return 0 if rows.num_rows else 1


def _figures(rows: pa.Table, point: Point) -> dict[str, Any]:
    mine = rows.filter(pc.equal(rows.column("point").cast(pa.string()), point.id))
    count = mine.num_rows
    found: dict[str, Any] = {"unit": point.unit, "readings": count}
    if not count:
        return found
    time_us = np.asarray(mine.column("time").combine_chunks().cast(pa.int64()))
    value = mine.column("value").to_numpy()
    flag = mine.column("flag").to_numpy()
    u = mine.column("u").to_numpy()
    found["flagged"] = int(np.count_nonzero(flag >= 3))
    valued = np.flatnonzero(np.isfinite(value))
    if len(valued):
        last = valued[np.argmax(time_us[valued])]
        found |= {
            "min": float(value[valued].min()),
            "mean": float(value[valued].mean()),
            "max": float(value[valued].max()),
            "latest": float(value[last]),
            "latest_U95": float(2 * u[last]),
            "latest_us": int(time_us[last]),
        }
    return found


def _page(site: Site, structure: Structure, figures: dict[str, Any], start: int, end: int) -> str:
    rows = []
    for point in structure.points:
        f = figures[point.id]
        gauge = _gauge_at(structure, point, end)
        row = [point.id, gauge.serial if gauge else "none", point.unit, str(f["readings"])]
        row.append(_share(f.get("flagged", 0), f["readings"]))
        row += [_number(f.get(name)) for name in ("min", "mean", "max", "latest", "latest_U95")]
        row.append(local_time(f["latest_us"], site.timezone) if "latest_us" in f else "never")
        rows.append(row)
    head = (
        f"{structure.name}\n{local_time(start, site.timezone)} to {local_time(end, site.timezone)}"
        f" ({site.timezone})\n"
    )
    return f"{head}\n{table(HEAD, rows, right=range(3, 10))}\n\n{cautions()}"


def _gauge_at(structure: Structure, point: Point, at_us: int) -> Placement | None:
    at = datetime.fromtimestamp(at_us / US, UTC)
    for placement in structure.placements:
        ends = placement.valid_to
        if (
            placement.point == point.id
            and placement.valid_from <= at
            and (ends is None or at < ends)
        ):
            return placement
    return None


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4g}" if abs(value) < 10 else f"{value:.1f}"
