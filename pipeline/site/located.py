"""
Entries of the configuration with the place where they stand, so that a mistake can name it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Generic, Literal, TypeVar

from pipeline.errors import Mistake

T = TypeVar("T")
Word = Literal["key", "column"]


@dataclass(frozen=True)
class Entry:
    """One table or row as it was read, before its model has seen it."""

    raw: Mapping[str, Any]
    file: str
    place: str
    """For example `line 14, gauge "NS-07"`; empty for a whole file."""
    word: Word = "key"
    """What a field is called in this file."""
    failed: bool = False
    """A field was already refused and told; the entry must not be used."""
    whole: bool = True
    """False: the file lacks a required column, told once; the model must not see the row."""

    def mistake(self, key: str, found: str, expected: str, remedy: str) -> Mistake:
        """A mistake at `key` of this entry; an empty key means the whole entry."""
        return mistake_at(self.file, self.place, self.word, key, found, expected, remedy)


@dataclass(frozen=True)
class Located(Generic[T]):
    """A valid model and the place where it stands."""

    item: T
    file: str
    place: str
    word: Word = "key"

    def mistake(self, key: str, found: str, expected: str, remedy: str) -> Mistake:
        """A mistake at `key` of this entry; an empty key means the whole entry."""
        return mistake_at(self.file, self.place, self.word, key, found, expected, remedy)


def mistake_at(
    file: str, place: str, word: Word, key: str, found: str, expected: str, remedy: str
) -> Mistake:
    """A mistake whose place ends with the key or column, when there is one."""
    at = f'{word} "{key}"' if key else ""
    return Mistake(file, ", ".join(part for part in (place, at) if part), found, expected, remedy)


def quoted(names: Iterable[str]) -> str:
    """Names in quotes, sorted, as a list a person reads; at most twelve of them."""
    ordered = sorted(names)
    shown = ", ".join(f'"{name}"' for name in ordered[:12])
    return f"{shown} and {len(ordered) - 12} more" if len(ordered) > 12 else shown


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """`Did you mean "…"?` when something known is near, else the known names, else empty."""
    names = list(known)
    near = get_close_matches(name, names, n=1, cutoff=0.6)
    if near:
        return f'Did you mean "{near[0]}"?'
    return f"Known: {quoted(names)}." if names else ""
