"""
`spanwarden check`: every mistake at once, or a summary to hold against the drawing.
"""

from __future__ import annotations

import argparse

from pipeline.cli.options import add_site, site_of
from pipeline.site.summary import describe

EXAMPLE = """example:
  spanwarden check --site config/quillmere

exit code 0: no mistake; 2: mistakes, each with file, place, what was found and what to do."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The site's folder."""
    add_site(parser)


def run(options: argparse.Namespace) -> int:
    """Print the summary of a site without mistakes."""
    print(describe(site_of(options)))
    return 0
