"""
One change of an alarm's state, as the journal keeps it.

What a person did, what was measured and when it happened and was noticed stand in one record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import msgspec

Crossing = Literal["", "value", "margin", "margin_grew"]

RULE_REMOVED = "rule_removed"
"""Event of an alarm whose rule or point left the configuration; `after` is `REMOVED`."""
REMOVED = "removed"


@dataclass(frozen=True)
class Transition:
    """
    A journal row; `before` and `after` may be equal (an occurrence while shelved, a re-alarm).

    `event` is one of `lifecycle.Event` or `RULE_REMOVED`, `before` and `after` are of
    `lifecycle.State` or `REMOVED`. What does not apply is None or empty.
    """

    alarm: str
    rule: str
    point: str
    """Empty for alarms of the station itself."""
    event: str
    before: str
    after: str
    occurred_us: int
    """When it happened, by the readings' time; of an act on what stands, since when it stands
    [µs since 1970 UTC]."""
    detected_us: int
    """When the engine learned of it, or somebody acted, by the station's time
    [µs since 1970 UTC]."""
    value: float | None
    """In `unit`: the furthest reading up to the raise, which acts on what stands repeat; on
    return the one that completed it."""
    u: float | None
    """Of the value, U95/2, in `unit`."""
    limit: float | None
    unit: str
    crossing: Crossing
    """What crossed: the value, only its margin, or only its margin because u grew."""
    detail: str
    by: str
    """Id of the person; empty where nobody acted."""
    comment: str
    priority: str
    retrospective: bool
    """Added by a rebuild."""
    late: bool
    """Known only from readings that came late."""

    def to_facts(self) -> dict[str, Any]:
        """Plain JSON-able values by name."""
        facts: dict[str, Any] = msgspec.to_builtins(self)
        return facts

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any]) -> Transition:
        """
        The transition that `to_facts` wrote; keys that it does not know are ignored.

        Raises:
            msgspec.ValidationError: a fact is missing or of the wrong type; names the fact.
        """
        return msgspec.convert(facts, cls)
