"""
The station's work on a backlog without broker, spool and ledger: gate, chain, rules.

The same functions on the same records in groups as large as the worker takes them.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from backlog import Backlog

from pipeline.alarms import engine
from pipeline.derive.chain import initial_state, run_chain
from pipeline.ingest.gate import accept
from pipeline.simulate.encode import Message
from pipeline.station.machine import Setup
from pipeline.station.worker import BATCH_BYTES, BATCH_RECORDS
from pipeline.store.spool import Record, RecordKind

MOST_READINGS = 500_000


@dataclass(frozen=True)
class Stages:
    """Seconds that each stage took for all readings."""

    readings: int
    gate_s: float
    chain_s: float
    rules_s: float


def measure_stages(backlog: Backlog, setup: Setup) -> Stages:
    """Gate, chain and rules over the beginning of a backlog, once, on this thread."""
    chosen = backlog.messages[: MOST_READINGS // backlog.batch]
    _run(chosen[: len(chosen) // 10], setup)  # what is imported and allocated at first
    return _run(chosen, setup)


def _run(messages: Sequence[Message], setup: Setup) -> Stages:
    chain, alarms = initial_state(setup.plan), engine.initial_state(setup.rules)
    received_us = messages[-1].time_us
    spent = [0.0, 0.0, 0.0]
    readings = 0
    for group in _groups(messages, received_us):
        begun = time.perf_counter()
        intake = accept(group, setup.gate)
        gated = time.perf_counter()
        results, chain = run_chain(intake.readings, chain, setup.plan, live=True)
        derived = time.perf_counter()
        _, alarms = engine.evaluate(results, received_us, alarms, setup.rules)
        judged = time.perf_counter()
        readings += len(intake.readings)
        for stage, seconds in enumerate((gated - begun, derived - gated, judged - derived)):
            spent[stage] += seconds
    return Stages(readings, *spent)


def _groups(messages: Sequence[Message], received_us: int) -> list[list[Record]]:
    groups: list[list[Record]] = [[]]
    size = 0
    for m in messages:
        if len(groups[-1]) >= BATCH_RECORDS or size >= BATCH_BYTES:
            groups.append([])
            size = 0
        # The sender's sequence went as a property, as the client hands it over.
        record = Record(
            RecordKind.MESSAGE, received_us, m.payload, m.topic, m.content_type, m.sequence
        )
        groups[-1].append(record)
        size += len(m.payload)
    return groups
