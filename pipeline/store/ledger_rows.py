"""
What goes into the ledger and comes out of it: plain frozen rows, and their canonical text.

Times are µs UTC. Facts are JSON objects; a number that is not finite is kept as its name in text.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Facts = Mapping[str, Any]
OutboxState = Literal["queued", "sent", "failed", "expired"]
NO_HASH = "0" * 64


@dataclass(frozen=True)
class Notice:
    """One message to one recipient by one delivery, to be queued."""

    delivery: str
    recipient: str
    subject: str
    body: str
    priority: str
    alarm: str
    topic: str = ""
    """For retained messages; notices of one delivery and topic go out in their order."""
    expires_us: int | None = None
    """From this time on it is no longer sent, and that counts as a failure to tell."""
    facts: Facts = field(default_factory=dict)


@dataclass(frozen=True)
class OutboxItem:
    """A notice with what became of it; `next_us` is when it may be tried (again)."""

    id: int
    notice: Notice
    created_us: int
    attempts: int
    next_us: int
    state: OutboxState
    detail: str


@dataclass(frozen=True)
class JournalEntry:
    """One link of the journal: numbers count from 1, `hash` covers `previous` and all else."""

    number: int
    recorded_us: int
    kind: str
    alarm: str
    facts: Facts
    previous: str
    hash: str


@dataclass(frozen=True)
class Refusal:
    """A message, or some of its readings, that cannot be used; `reason` is the counter's name."""

    position: int
    received_us: int
    topic: str
    reason: str
    detail: str
    rows: int
    """Readings refused; for a message that cannot be decoded 0, or their number where known."""
    payload: bytes


@dataclass(frozen=True)
class QuarantineRow:
    """A kept refusal; `is_whole` False: `refusal.payload` is only the first bytes of `size`."""

    number: int
    refusal: Refusal
    size: int
    sha256: str
    is_whole: bool


@dataclass(frozen=True)
class QuarantineTotal:
    """All refusals of one reason; `counted_only` messages came when the quarantine was full."""

    reason: str
    messages: int
    rows: int
    bytes: int
    counted_only: int


@dataclass(frozen=True)
class Commit:
    """Everything that follows from the records below `position`, to be stored together."""

    position: int
    now_us: int
    states: Mapping[str, str] = field(default_factory=dict)
    """Saved states by name; those not named stay as they are."""
    entries: Sequence[tuple[str, str, Facts]] = ()
    """Journal entries: kind, alarm, facts."""
    notices: Sequence[Notice] = ()
    refusals: Sequence[Refusal] = ()
    counters: Mapping[str, int] = field(default_factory=dict)
    """Added to the totals."""


def canonical_json(value: object) -> str:
    """
    The one text of a JSON value: keys sorted, no blanks, ASCII, numpy scalars as plain numbers.

    NaN and infinities, which JSON has not, become "NaN", "Infinity" and "-Infinity": a journal
    entry must never fail because a gauge did.

    Raises:
        TypeError: a value that JSON cannot hold; names its type.
    """
    return json.dumps(
        _finite(value), sort_keys=True, separators=(",", ":"), allow_nan=False, default=_plain
    )


def entry_hash(
    previous: str, number: int, recorded_us: int, kind: str, alarm: str, facts: Facts
) -> str:
    """SHA-256, in hex, of the canonical JSON of a journal entry and the hash before it."""
    text = canonical_json([previous, number, recorded_us, kind, alarm, facts])
    return hashlib.sha256(text.encode()).hexdigest()


def storable(text: str) -> str:
    """`text` as UTF-8 can hold it: a lone surrogate, which a hostile topic may bring, is spelt."""
    return text.encode("utf-8", "backslashreplace").decode()


def _finite(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if hasattr(value, "dtype") and hasattr(value, "item"):
        return _finite(value.item())
    return value


def _plain(value: object) -> object:
    raise TypeError(
        f"facts hold a {type(value).__name__}, which JSON cannot: expected text, numbers, true, "
        "false, null, lists and objects. Convert it where the fact is made."
    )
