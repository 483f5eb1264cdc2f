"""
`spanwarden doctor`: what is wrong with this box, and how to mend it.
"""

from __future__ import annotations

import argparse
import os

from pipeline.cli.options import add_site, add_structure, site_of, table
from pipeline.station.doctor import examine

EXAMPLE = """example:
  spanwarden doctor --site config/quillmere
  spanwarden doctor --site config/quillmere --without-canary

The canary leaves a client away while 3,000 messages are sent, and counts what comes: the only way
to know whether this broker keeps what it acknowledges. It uses topics of its own.
exit code 0: nothing is wrong; 1: something is, with the remedy beside it."""

SIGNS = {"good": "✓ good", "attention": "! look", "wrong": "✗ wrong"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Site, structure, whether to send the canary."""
    add_site(parser)
    add_structure(parser)
    parser.add_argument(
        "--without-canary", action="store_true", help="do not test what the broker keeps"
    )


def run(options: argparse.Namespace) -> int:
    """Print what was examined; 1 when anything is wrong."""
    site = site_of(options)
    chosen = [s for s in site.structures if options.structure in (None, s.id)]
    found = examine(site, chosen, os.environ, with_canary=not options.without_canary)
    print(table(["", "what", "found"], [[SIGNS[f.verdict], f.what, f.found] for f in found]))
    remedies = [f for f in found if f.remedy]
    if remedies:
        print("\nWhat to do:")
        for finding in remedies:
            print(f"  {finding.what}: {finding.remedy}")
    return 1 if any(f.verdict == "wrong" for f in found) else 0
