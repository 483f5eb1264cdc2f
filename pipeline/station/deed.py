"""
What another thread of the worker wants committed by the main thread.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.store.ledger import Notice


@dataclass(frozen=True)
class Deed:
    """Journal entries (kind, alarm, facts), notices to tell and facts to remember."""

    journal: Sequence[tuple[str, str, dict[str, object]]] = ()
    notices: Sequence[Notice] = ()
    remember: Mapping[str, str] = field(default_factory=dict)
