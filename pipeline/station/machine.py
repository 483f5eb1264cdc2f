"""
The station as a deterministic machine over the spool: records in, consequences out.

It reads no clock, no file and no network; the same records give the same decisions.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

import msgspec
import numpy as np

from pipeline.alarms import engine
from pipeline.alarms.engine import AlarmState, Command, Excursion, RuleSet, Tick, compile_rules
from pipeline.alarms.transition import Transition
from pipeline.blocks import TEST_BIT
from pipeline.derive.chain import ChainState, initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.derive.plan import compile_plan
from pipeline.errors import StateVersionError
from pipeline.ingest.gate import Gate, accept, compile_gate
from pipeline.notify.compose import compose
from pipeline.physics.uncertainty import coverage_factor
from pipeline.site.models import Site, Structure
from pipeline.store.ledger import Notice, Refusal
from pipeline.store.spool import Record, RecordKind

MACHINE_VERSION = 1
ACTING_ROLES = frozenset({"operator", "engineer"})


@dataclass(frozen=True)
class Setup:
    """What a configuration compiles to; bound once for the life of a worker."""

    site: Site
    structure: Structure
    gate: Gate
    plan: Plan
    rules: RuleSet


@dataclass(frozen=True)
class MachineState:
    """Everything that the machine remembers between records."""

    chain: ChainState
    alarms: AlarmState
    newest_us: int = 0
    """Watermark: newest plausible reading time so far."""
    received_us: int = 0
    """Newest time of a record, so that time never goes back."""

    def to_texts(self) -> dict[str, str]:
        """The state as named JSON texts for the ledger."""
        own = {
            "version": MACHINE_VERSION,
            "newest_us": self.newest_us,
            "received_us": self.received_us,
        }
        return {
            "chain": self.chain.to_json(),
            "alarms": self.alarms.to_json(),
            "machine": json.dumps(own),
        }

    @classmethod
    def from_texts(cls, texts: Mapping[str, str]) -> MachineState:
        """
        The state that `to_texts` wrote.

        Raises:
            StateVersionError: written by another version.
        """
        own = json.loads(texts["machine"])
        if own.get("version") != MACHINE_VERSION:
            raise StateVersionError("machine state", own.get("version"), MACHINE_VERSION)
        return cls(
            chain=ChainState.from_json(texts["chain"]),
            alarms=AlarmState.from_json(texts["alarms"]),
            newest_us=own["newest_us"],
            received_us=own["received_us"],
        )


@dataclass
class Outcome:
    """What came of a batch of records; to be committed together with the position after it."""

    transitions: list[Transition] = field(default_factory=list)
    journal: list[tuple[str, str, dict[str, object]]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    counters: dict[str, int] = field(default_factory=dict)
    replies: dict[str, tuple[bool, str]] = field(default_factory=dict)
    late: int = 0
    ticks: int = 0

    @property
    def is_urgent(self) -> bool:
        """Whether it must be on disk before the station goes on."""
        # Refusals can wait: after a crash the same messages are refused again.
        return bool(self.journal or self.notices or self.replies)

    def add(self, other: Outcome) -> None:
        """Take what came of the records that followed."""
        self.transitions.extend(other.transitions)
        self.journal.extend(other.journal)
        self.notices.extend(other.notices)
        self.refusals.extend(other.refusals)
        self.replies.update(other.replies)
        self.late += other.late
        self.ticks += other.ticks
        for name, amount in other.counters.items():
            self.count(name, amount)

    def count(self, name: str, amount: int) -> None:
        """Add to a counter; nothing is kept for an amount of 0."""
        if amount:
            self.counters[name] = self.counters.get(name, 0) + amount


def compile_setup(site: Site, structure: Structure) -> Setup:
    """The machine's setup for one structure of a site that was read without mistakes."""
    coverage_factor(1.0)  # its table is made on first use, which must not be under load
    return Setup(
        site,
        structure,
        compile_gate(structure, site.storage, site.broker.prefix),
        compile_plan(structure),
        compile_rules(structure),
    )


def first_state(setup: Setup) -> MachineState:
    """The state of a station that has seen nothing."""
    return MachineState(initial_state(setup.plan), engine.initial_state(setup.rules))


def reconcile(state: MachineState, setup: Setup, now_us: int) -> tuple[Outcome, MachineState]:
    """
    Fit a saved state to the configuration and go on at `now_us`.

    Rules that came or went are journalled; the time in which nobody listened counts neither as
    silence of a gauge nor as time for which a reading was held.
    """
    outcome = Outcome()
    resumed = engine.resume(now_us, state.alarms)
    transitions, alarms = engine.reconcile(resumed, setup.rules, now_us)
    _tell(outcome, transitions, setup)
    # Records left in the spool count as received now: going back would undo `resume`.
    return outcome, replace(state, alarms=alarms, received_us=max(state.received_us, now_us))


def advance(
    state: MachineState, records: Sequence[Record], setup: Setup
) -> tuple[Outcome, MachineState]:
    """
    Take records in the order of the spool.

    Args:
        state: as the call before returned it; not changed.
        records: consecutive records of the spool.
        setup: of the running configuration.

    Returns:
        what came of them, and the state behind them. Neighbouring messages are taken together;
        a tick, command or finding stands between the messages before and after it.
    """
    outcome = Outcome()
    for kind, run in _runs(records):
        if kind == RecordKind.MESSAGE:
            state = _take_messages(state, run, setup, outcome)
        else:
            for record in run:
                state = _take_single(state, record, setup, outcome)
    return outcome, state


def _runs(records: Sequence[Record]) -> Iterator[tuple[RecordKind, list[Record]]]:
    for kind, run in groupby(records, key=lambda record: record.kind):
        yield kind, list(run)


def _take_messages(
    state: MachineState, records: list[Record], setup: Setup, outcome: Outcome
) -> MachineState:
    intake = accept(records, setup.gate)
    outcome.refusals.extend(intake.refusals)
    for name, amount in intake.counters.items():
        outcome.count(name, amount)
    results, chain = run_chain(intake.readings, state.chain, setup.plan, live=True)
    tests = results.column("tests").astype(np.int64)
    late = int(np.count_nonzero(tests & TEST_BIT["late"]))
    outcome.late += late
    outcome.count("late_readings", late)
    now_us = max(state.received_us, records[-1].received_us)
    transitions, alarms = engine.evaluate(results, now_us, state.alarms, setup.rules)
    _tell(outcome, transitions, setup)
    newest_us = max(state.newest_us, intake.newest_us or 0)
    return MachineState(chain, alarms, newest_us, now_us)


def _take_single(
    state: MachineState, record: Record, setup: Setup, outcome: Outcome
) -> MachineState:
    facts = json.loads(record.payload)
    now_us = max(state.received_us, record.received_us)
    transitions: Sequence[Transition]
    if record.kind == RecordKind.TICK:
        outcome.ticks += 1
        tick = Tick(now_us, state.newest_us, facts["faults"])
        transitions, alarms = engine.evaluate_tick(tick, state.alarms, setup.rules)
    elif record.kind == RecordKind.FINDING:
        excursion = Excursion.from_facts(facts)
        transitions, alarms = engine.apply_excursion(excursion, now_us, state.alarms, setup.rules)
    else:
        transitions, alarms = _obey(state, facts, now_us, setup, outcome)
    _tell(outcome, transitions, setup)
    return replace(state, alarms=alarms, received_us=now_us)


def _obey(
    state: MachineState, facts: dict[str, object], now_us: int, setup: Setup, outcome: Outcome
) -> tuple[Sequence[Transition], AlarmState]:
    request = str(facts.pop("request"))
    by = str(facts["by"])
    person = next((p for p in setup.site.people if p.id == by), None)
    transitions: Sequence[Transition] = ()
    alarms = state.alarms
    if person is None or not ACTING_ROLES.intersection(person.roles):
        known = ", ".join(p.id for p in setup.site.people if ACTING_ROLES.intersection(p.roles))
        found = "is not a person of this site" if person is None else "may only look"
        ok, reply = False, f'"{by}" {found}. People who may do this: {known}.'
    else:
        try:
            command = Command.from_facts(facts)
            transitions, alarms, reply, ok = engine.apply_command(
                command, now_us, state.alarms, setup.rules
            )
        except msgspec.ValidationError as error:
            # It is in the spool: raising would raise again at every start.
            ok, reply = False, f"a command cannot be that: {error}."
    outcome.replies[request] = (ok, reply)
    outcome.journal.append(
        ("command", str(facts["alarm"]), {**facts, "accepted": ok, "reply": reply})
    )
    return transitions, alarms


def _tell(outcome: Outcome, transitions: Sequence[Transition], setup: Setup) -> None:
    for transition in transitions:
        outcome.transitions.append(transition)
        outcome.journal.append(("transition", transition.alarm, transition.to_facts()))
        outcome.notices.extend(compose(transition, setup.structure, setup.site))
