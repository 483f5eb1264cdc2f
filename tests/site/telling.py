"""
One case of a mistaken site: what is changed in the example, and every message that must come.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import ConfigError
from pipeline.site.read import read_site
from tests.site.examples import Change, write_example_site


@dataclass(frozen=True)
class Case:
    """Changes to the example and the messages, complete and in order, that they must cause."""

    name: str
    changes: Sequence[Change]
    told: Sequence[str]
    extra: Mapping[str, str] = field(default_factory=dict)


def messages(
    folder: Path,
    *changes: Change,
    extra: Mapping[str, str] | None = None,
    environ: Mapping[str, str] | None = None,
) -> list[str]:
    """Every message about the changed example, with file names below its folder; empty: none."""
    write_example_site(folder, *changes, extra=extra)
    return messages_of(folder, environ)


def messages_of(folder: Path, environ: Mapping[str, str] | None = None) -> list[str]:
    """Every message about the site in `folder`, with file names below it; empty: none."""
    try:
        read_site(folder, environ)
    except ConfigError as error:
        return [str(mistake).replace(f"{folder}/", "") for mistake in error.mistakes]
    return []


def section(text: str, start: str, end: str | None = None) -> str:
    """The part of a text from `start` up to `end`, or to its end."""
    begin = text.index(start)
    return text[begin : text.index(end, begin) if end else None]
