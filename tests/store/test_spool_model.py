"""The spool against a list: any order of appends, reads, drops and restarts; two threads."""

from __future__ import annotations

import shutil
import tempfile
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from pipeline.store.spool import Record, RecordKind, Spool
from tests.store.records import messages, payload_numbers

NAMES = st.text(max_size=12)
RECORDS = st.builds(
    Record,
    kind=st.sampled_from(RecordKind),
    received_us=st.integers(-(2**63), 2**63 - 1),
    payload=st.binary(max_size=300),
    topic=NAMES,
    content_type=NAMES,
    sequence=st.none() | st.integers(-(2**63), 2**63 - 1),
)


class SpoolAgainstAList(RuleBasedStateMachine):
    """A spool with small segments beside the plain list of what was appended."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.model: list[Record] = []
        self.dropped_below = 0

    @initialize(segment_bytes=st.integers(64, 2000))
    def begin(self, segment_bytes: int) -> None:
        """Open an empty spool."""
        self.segment_bytes = segment_bytes
        self.spool = Spool.open(self.folder, segment_bytes=segment_bytes)

    @rule(group=st.lists(RECORDS, max_size=6), sync=st.booleans())
    def append(self, group: list[Record], sync: bool) -> None:
        """Append a group."""
        last = self.spool.append(group, sync=sync)
        for record in group:
            self.model.append(replace(record, position=len(self.model)))

        assert last == len(self.model) - 1

    @rule(share=st.floats(0, 1), max_records=st.integers(1, 20), max_bytes=st.integers(1, 500))
    def read(self, share: float, max_records: int, max_bytes: int) -> None:
        """Read from anywhere that is held: a piece of the list, not empty unless at its end."""
        first = self.spool.first_position
        start = first + int(share * (len(self.model) - first))
        found = self.spool.read(start, max_records=max_records, max_bytes=max_bytes)

        assert found == self.model[start : start + len(found)]
        assert len(found) <= max_records
        assert bool(found) == (start < len(self.model))

    @rule(share=st.floats(0, 1))
    def drop(self, share: float) -> None:
        """Drop some; nothing at or behind the position may go."""
        position = int(share * len(self.model))
        self.spool.drop_before(position)
        self.dropped_below = max(self.dropped_below, position)

    @rule()
    def reopen(self) -> None:
        """Restart."""
        self.spool.close()
        self.spool = Spool.open(self.folder, segment_bytes=self.segment_bytes)

    @invariant()
    def everything_is_there(self) -> None:
        """All from the first held to the last appended, which reaches down to what was dropped."""
        first = self.spool.first_position

        assert first <= self.dropped_below
        assert self.spool.next_position == len(self.model)
        assert self.spool.read(first) == self.model[first:]

    def teardown(self) -> None:
        """Remove the folder."""
        if hasattr(self, "spool"):
            self.spool.close()
        shutil.rmtree(self.folder)


@pytest.mark.slow
def test_spool_when_used_in_any_order_is_as_a_list() -> None:
    """What was appended is read, whatever happens between."""
    run_state_machine_as_test(
        SpoolAgainstAList,
        settings=settings(
            max_examples=60, stateful_step_count=25, deadline=None, derandomize=True, database=None
        ),
    )


@pytest.mark.slow
def test_spool_when_read_while_written_gives_all_in_order(tmp_path: Path) -> None:
    """One thread appends and rotates, one reads and drops behind itself: nothing lost or torn."""
    count, spool = 30_000, Spool.open(tmp_path, segment_bytes=100_000)

    def write() -> None:
        for first in range(0, count, 50):
            spool.append(messages(first, 50), sync=first % 500 == 0)

    writer = threading.Thread(target=write)
    writer.start()
    numbers: list[int] = []
    while len(numbers) < count and spool.wait_past(len(numbers), 30.0):
        numbers += payload_numbers(spool.read(len(numbers), max_records=777))
        spool.drop_before(len(numbers))
    writer.join(30.0)

    assert numbers == list(range(count))
    assert spool.first_position > count - 3000
    spool.close()
