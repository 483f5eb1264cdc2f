"""
A station without broker, threads and clock: records go in, and time comes with them.

The parts are the worker's own; only what makes records and what reads the clock is left out.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from pipeline.alarms.transition import Transition
from pipeline.site.models import Site
from pipeline.site.read import read_site
from pipeline.station import machine
from pipeline.station.layout import layout_of, structure_of
from pipeline.station.machine import MachineState, Outcome
from pipeline.station.sealing import Sealer
from pipeline.store.archive import Archive
from pipeline.store.ledger import Commit, Ledger
from pipeline.store.seal import SealOutcome
from pipeline.store.spool import Record, RecordKind, Spool

ROOT = Path(__file__).parents[1]
US = 1_000_000


def copied_site(into: Path, name: str = "quillmere", **storage: object) -> Site:
    """A copy of the example site in `into`, its data beside it, with these storage settings."""
    folder = into / name
    if not folder.exists():
        shutil.copytree(ROOT / "config" / name, folder, ignore=shutil.ignore_patterns("data"))
    text = (folder / "site.toml").read_text()
    settings = "".join(f"{key} = {json.dumps(value)}\n" for key, value in storage.items())
    assert text.count("[storage]\n") == 1
    (folder / "site.toml").write_text(text.replace("[storage]\n", f"[storage]\n{settings}"))
    return read_site(folder)


class Replay:
    """
    Takes records as the worker would, commits, seals; `restart` forgets all but the disk.

    Args:
        site: whose data folder is used.
        structure: id.
    """

    def __init__(self, site: Site, structure: str) -> None:
        self.site = site
        self.layout = layout_of(site, structure)
        self.setup = machine.compile_setup(site, structure_of(site, structure))
        self.archive = Archive(self.layout.data, structure, site.storage.window_h)
        self._open()

    def _open(self) -> None:
        self.ledger = Ledger.open(self.layout.ledger)
        self.position = self.ledger.position
        self.spool = Spool.open(self.layout.spool, at_least=self.position)
        saved = self.ledger.states()
        known = "machine" in saved
        self.state = MachineState.from_texts(saved) if known else machine.first_state(self.setup)
        self.sealer = Sealer(self.setup, self.archive, self.spool, self.ledger)

    def close(self) -> None:
        """Let go of the files."""
        self.spool.close()
        self.ledger.close()

    def restart(self) -> None:
        """Close everything and open it again from the disk."""
        self.close()
        self._open()
        self._consume()

    def feed(self, records: Sequence[Record], *, consume: bool = True) -> None:
        """Append records; take and commit them unless a crash before that is wanted."""
        self.spool.append(records, sync=False)
        if consume:
            self._consume()

    def tick(self, now_us: int, faults: dict[str, str] | None = None) -> None:
        """Time goes on."""
        payload = json.dumps({"faults": faults or {}}).encode()
        self.feed([Record(RecordKind.TICK, now_us, payload)])

    def command(self, now_us: int, kind: str, alarm: str, by: str) -> None:
        """A person acts."""
        asked = {
            "request": "r",
            "kind": kind,
            "alarm": alarm,
            "by": by,
            "comment": "seen",
            "until_us": None,
        }
        self.feed([Record(RecordKind.COMMAND, now_us, json.dumps(asked).encode())])

    def seal(self, now_us: int) -> list[SealOutcome]:
        """Seal what was committed and feed back what the seal found."""
        written = self.sealer.seal(self.position, now_us)
        for outcome in written:
            found = [
                Record(RecordKind.FINDING, now_us, json.dumps(one.to_facts()).encode())
                for one in self.sealer.findings(outcome)
            ]
            if found:
                self.feed(found)
        return written

    def transitions(self, *, after: str | None = None) -> list[Transition]:
        """Transitions of the journal in order; of those to the state `after` only."""
        found = [
            Transition.from_facts(entry.facts)
            for entry in self.ledger.journal(limit=100_000)
            if entry.kind == "transition"
        ]
        return [t for t in found if after is None or t.after == after]

    def _consume(self) -> None:
        outcome = Outcome()
        read_to = self.position
        while records := self.spool.read(read_to):
            part, self.state = machine.advance(self.state, records, self.setup)
            outcome.add(part)
            read_to = records[-1].position + 1
        self.ledger.commit(
            Commit(
                position=read_to,
                now_us=self.state.received_us,
                states=self.state.to_texts(),
                entries=outcome.journal,
                notices=outcome.notices,
                refusals=outcome.refusals,
                counters=outcome.counters,
            )
        )
        self.position = read_to


def with_ticks(records: Iterable[Record], every_us: int = 10 * US) -> Iterator[list[Record]]:
    """Records cut into lots by received time, each lot followed by the tick that ends it."""
    lot: list[Record] = []
    due: int | None = None
    for record in records:
        if due is None:
            due = record.received_us + every_us
        while record.received_us >= due:
            yield [*lot, Record(RecordKind.TICK, due, b'{"faults": {}}')]
            lot, due = [], due + every_us
        lot.append(record)
    if due is not None:
        yield [*lot, Record(RecordKind.TICK, due, b'{"faults": {}}')]
