"""
Options that several commands share, and how their answers are laid out.
"""

from __future__ import annotations

import argparse
import os
import textwrap
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.errors import ConfigError, Mistake
from pipeline.notify.cautions import CAUTION_TEXT
from pipeline.site.models import Site
from pipeline.site.read import read_site

SITE_ENV = "SPANWARDEN_SITE"
US = 1_000_000


def add_site(parser: argparse.ArgumentParser) -> None:
    """`--site`, which may be left out where there is no doubt."""
    parser.add_argument(
        "--site",
        metavar="FOLDER",
        help=f"folder with site.toml (default: ${SITE_ENV}, else the only one below ./config)",
    )


def add_structure(parser: argparse.ArgumentParser) -> None:
    """`--structure`, needed where a site has several."""
    parser.add_argument("--structure", help="id of the structure, where the site has several")


def site_of(options: argparse.Namespace) -> Site:
    """
    Read the site that the options name.

    Raises:
        ConfigError: no folder was named, or the configuration has mistakes.
    """
    named = options.site or os.environ.get(SITE_ENV)
    if named:
        return read_site(Path(named))
    found = sorted(path.parent for path in Path("config").glob("*/site.toml"))
    if len(found) == 1:
        return read_site(found[0])
    mistake = Mistake(
        "command line",
        "",
        f"no --site, and {len(found)} sites below ./config",
        "the folder that holds site.toml",
        f"Name it, for example --site config/quillmere, or set {SITE_ENV}.",
    )
    raise ConfigError((mistake,))


def cautions() -> str:
    """What a user must meet wherever figures or alarms are shown, in lines for a terminal."""
    return textwrap.fill(CAUTION_TEXT, 98)


def local_time(us: int, zone: str) -> str:
    """A time for people: local, to the second, with its offset."""
    return datetime.fromtimestamp(us / US, ZoneInfo(zone)).isoformat(" ", timespec="seconds")


def utc_us(text: str) -> int:
    """
    µs since 1970 of an ISO 8601 time with a zone, or a date (its start in UTC).

    Raises:
        argparse.ArgumentTypeError: not such a time.
    """
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a time; write it like 2026-09-03 or 2026-09-03T14:00+02:00"
        ) from error
    if when.tzinfo is None:
        if "T" in text or " " in text:
            raise argparse.ArgumentTypeError(f"{text!r} has no zone; add Z or +02:00")
        when = when.replace(tzinfo=UTC)
    return round(when.timestamp() * US)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int] = ()) -> str:
    """Aligned columns under a ruled head; `right` lists the columns set flush right."""
    lines = [list(head), *[list(row) for row in rows]]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    flush = set(right)

    def laid(line: Sequence[str]) -> str:
        cells = (
            cell.rjust(width) if i in flush else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    rule = "  ".join("─" * width for width in widths)
    return "\n".join([laid(lines[0]), rule, *(laid(line) for line in lines[1:])])
