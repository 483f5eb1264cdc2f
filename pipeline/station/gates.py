"""
Which gate accepted which records of the spool, so that a seal takes what was taken live.

A seal reads the spool again: under a changed configuration today's gate would refuse readings that
were acknowledged and evaluated, and they would be in neither raw nor quarantine.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.ingest.gate import Gate
from pipeline.store.ledger import Ledger

GATES = "gates"


@dataclass(frozen=True)
class _Era:
    first_position: int
    facts: dict[str, Any]
    gate: Gate


class Gates:
    """
    The gates of the records that the spool still holds, kept in the ledger.

    What lies behind the committed position when this is made belongs to `gate`; what lies before
    it to the gates under which it was committed. A ledger that knows of none has `gate` for all.

    Args:
        ledger: of the structure; nothing of the running configuration is committed in it yet.
        gate: of the running configuration.
    """

    def __init__(self, ledger: Ledger, gate: Gate) -> None:
        self._ledger = ledger
        known = json.loads(ledger.recall(GATES) or "[]")
        self._eras = [_Era(first, facts, _gate(facts)) for first, facts in known]
        facts = _facts(gate)
        if not self._eras:
            self._keep([_Era(0, facts, gate)])
        elif self._eras[-1].facts != facts:
            position = ledger.position
            before = [era for era in self._eras if era.first_position < position]
            self._keep([*before, _Era(position if before else 0, facts, gate)])

    def at(self, position: int) -> tuple[Gate, int | None]:
        """The gate of the record at `position`, and the position from which it is another."""
        following = [era for era in self._eras if era.first_position > position]
        current = self._eras[max(0, len(self._eras) - len(following) - 1)]
        return current.gate, following[0].first_position if following else None

    def forget_before(self, position: int) -> None:
        """The spool holds nothing before `position` any more."""
        starts = [era.first_position for era in self._eras[1:]]
        gone = sum(start <= position for start in starts)
        if gone:
            self._keep([replace(self._eras[gone], first_position=0), *self._eras[gone + 1 :]])

    def _keep(self, eras: list[_Era]) -> None:
        self._ledger.remember(GATES, json.dumps([[e.first_position, e.facts] for e in eras]))
        self._eras = eras


def _facts(gate: Gate) -> dict[str, Any]:
    channels = zip(gate.channels, gate.channel_node.tolist(), gate.channel_unit, strict=True)
    return {
        "prefix": gate.prefix,
        "structure": gate.structure,
        "nodes": list(gate.nodes),
        "topics": gate.topics,
        "channels": [list(channel) for channel in channels],
        "future_us": gate.future_us,
        "oldest_us": gate.oldest_us,
    }


def _gate(facts: dict[str, Any]) -> Gate:
    channels = facts["channels"]
    return Gate(
        prefix=facts["prefix"],
        structure=facts["structure"],
        nodes={name: number for number, name in enumerate(facts["nodes"])},
        topics=facts["topics"],
        channels={name: number for number, (name, _, _) in enumerate(channels)},
        channel_node=np.array([node for _, node, _ in channels], np.int32),
        channel_unit=tuple(unit for _, _, unit in channels),
        channel_names=pa.array([name for name, _, _ in channels], pa.string()),
        future_us=facts["future_us"],
        oldest_us=facts["oldest_us"],
    )
