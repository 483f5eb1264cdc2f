"""
`spanwarden rebuild`: results and summaries again from raw, by the chain that sealed them.
"""

from __future__ import annotations

import argparse
import time
from datetime import UTC, datetime

from pipeline.cli.options import US, add_site, add_structure, site_of, table, utc_us
from pipeline.station.layout import layout_of, structure_of
from pipeline.station.machine import compile_setup
from pipeline.station.sealing import provenance
from pipeline.store.archive import Archive
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.rebuild import WindowRebuild, rebuild

EXAMPLE = """example:
  spanwarden rebuild --site config/quillmere --structure quill-deck --compare
  spanwarden rebuild --site config/quillmere --structure quill-deck --from 2026-09-01

Raw is only read. Final results that change are kept beside the archive in superseded/.
exit code 0: everything was equal, or was replaced; 1: --compare found differences."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Site, structure, span, whether to compare only."""
    add_site(parser)
    add_structure(parser)
    parser.add_argument("--from", dest="start", type=utc_us, default=None, help="first window")
    parser.add_argument("--to", dest="end", type=utc_us, default=None, help="end, exclusive")
    parser.add_argument("--compare", action="store_true", help="change nothing, only say")


def run(options: argparse.Namespace) -> int:
    """Rebuild or compare; prints a line a window."""
    site = site_of(options)
    structure = structure_of(site, options.structure)
    setup = compile_setup(site, structure)
    layout = layout_of(site, structure.id)
    archive = Archive(layout.data, structure.id, site.storage.window_h)
    windows = [
        w
        for w in archive.windows()
        if (options.start is None or archive.end_of(w) > options.start)
        and (options.end is None or w < options.end)
    ]
    report = rebuild(
        archive,
        ChainOfPlan(setup.plan),
        provenance(site, setup, time.time_ns() // 1000),
        windows=windows,
        dry_run=options.compare,
    )
    print(
        table(
            ["window", "rows", "stored", "outcome", "largest difference"],
            [_row(one) for one in report.windows],
            right=[1, 2],
        )
    )
    equal = sum(one.is_equal for one in report.windows)
    print(f"\n{equal} of {len(report.windows)} windows equal bit for bit.")
    return 1 if options.compare and not report.is_equal else 0


def _row(one: WindowRebuild) -> list[str]:
    start = datetime.fromtimestamp(one.window_us / US, UTC).strftime("%Y-%m-%d %H:%MZ")
    outcome = "equal" if one.is_equal else "replaced" if one.replaced else "differs"
    worst = max(one.largest.items(), key=lambda item: item[1], default=("", 0.0))
    difference = one.note or (f"{worst[0]} {worst[1]:.3g}" if worst[1] else "")
    return [start, str(one.rows), str(one.stored_rows), outcome, difference]
