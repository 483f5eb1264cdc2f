"""The spool in good weather: order, positions, limits, waiting, dropping, one process only."""

from __future__ import annotations

import struct
import threading
import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import StateVersionError, StorageError
from pipeline.store.spool import Record, RecordKind, Spool
from tests.store.records import message, messages, payload_numbers, read_all, segment_files


def test_read_when_appended_gives_every_field_back(tmp_path: Path) -> None:
    """Kind, times, payload, names and sequence come back as they went in, with positions."""
    given = [
        Record(RecordKind.MESSAGE, 1, b"\x00\xff", "a/µ/b", "application/senml+cbor", 7),
        Record(RecordKind.TICK, -2, b""),
        Record(RecordKind.COMMAND, 2**63 - 1, b"x" * 100_000, sequence=-(2**63)),
        Record(RecordKind.FINDING, 0, b"{}", topic="t" * 65_535, sequence=0),
    ]
    spool = Spool.open(tmp_path)

    last = spool.append(given)

    assert last == 3
    assert spool.read(0) == [replace(record, position=i) for i, record in enumerate(given)]
    spool.close()


def test_positions_when_rotated_and_reopened_go_on(tmp_path: Path) -> None:
    """Positions count from 0 over segments and restarts, and every record is there in order."""
    for part in range(5):
        spool = Spool.open(tmp_path, segment_bytes=1000)
        assert spool.next_position == part * 40
        for first in range(part * 40, part * 40 + 40, 4):
            spool.append(messages(first, 4))
        spool.close()

    spool = Spool.open(tmp_path, segment_bytes=1000)
    found = read_all(spool)

    assert [record.position for record in found] == list(range(200))
    assert payload_numbers(found) == list(range(200))
    assert spool.statistics().segments > 10
    spool.close()


@pytest.mark.parametrize("limits", [{"max_records": 7}, {"max_bytes": 1}, {"max_bytes": 500}])
def test_read_with_limits_still_gives_everything_call_by_call(
    tmp_path: Path, limits: dict[str, int]
) -> None:
    """A limit below one record still gives one, so that reading never stands still."""
    spool = Spool.open(tmp_path, segment_bytes=2000)
    spool.append(messages(0, 50))
    spool.append(messages(50, 50, size=5000))

    found = read_all(spool, **limits)

    assert payload_numbers(found) == list(range(100))
    spool.close()


def test_read_when_started_anywhere_begins_there(tmp_path: Path) -> None:
    """Any position can be read from, in any order, before and after reopening."""
    spool = Spool.open(tmp_path, segment_bytes=100_000)
    spool.append(messages(0, 3000))
    for attempt in range(2):
        for start in (2999, 0, 1500, 511, 512, 513, 2048):
            found = spool.read(start, max_records=2)

            assert payload_numbers(found) == list(range(start, min(start + 2, 3000))), attempt
        spool.close()
        spool = Spool.open(tmp_path, segment_bytes=100_000)
    assert spool.read(3000) == []
    spool.close()


def test_record_when_larger_than_a_segment_is_kept(tmp_path: Path) -> None:
    """A message above the segment's and the reader's chunk size is a record like any other."""
    spool = Spool.open(tmp_path, segment_bytes=4096)
    spool.append([message(0), message(1, size=3 << 20), message(2)])
    spool.close()

    spool = Spool.open(tmp_path, segment_bytes=4096)
    found = read_all(spool)

    assert [len(record.payload) for record in found] == [24, 3 << 20, 24]
    spool.close()


@pytest.mark.parametrize(
    "bad",
    [
        Record(RecordKind.MESSAGE, 2**63, b""),
        Record(RecordKind.MESSAGE, 0, b"", sequence=2**63),
        Record(RecordKind.MESSAGE, 0, b"", topic="t" * 65_536),
    ],
)
def test_append_when_a_record_does_not_fit_writes_nothing_and_goes_on(
    tmp_path: Path, bad: Record
) -> None:
    """A record that no frame can hold is the caller's to refuse; the spool stays usable."""
    spool = Spool.open(tmp_path)

    with pytest.raises(ValueError) as caught:
        spool.append([message(0), bad])

    assert "record 1 of the group" in str(caught.value)
    assert "Refuse it before the spool; nothing of the group was written" in str(caught.value)
    assert spool.append([message(5)]) == 0
    assert payload_numbers(read_all(spool)) == [5]
    spool.close()


def test_append_without_sync_is_read_but_not_durable_until_synced(tmp_path: Path) -> None:
    """`durable_position` says what may be acknowledged; one sync serves all that went before."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 3), sync=False)
    spool.append(messages(3, 2), sync=False)

    assert (spool.next_position, spool.durable_position) == (5, 0)
    assert len(spool.read(0)) == 5
    spool.sync()
    assert spool.durable_position == 5
    assert spool.statistics().sync_count == 1
    spool.close()


def test_append_of_an_empty_group_returns_the_position_before(tmp_path: Path) -> None:
    """Nothing to append is no error; with `sync` it still makes durable what is open."""
    spool = Spool.open(tmp_path)
    assert spool.append([]) == -1
    spool.append(messages(0, 2), sync=False)

    last = spool.append([])

    assert (last, spool.durable_position) == (1, 2)
    spool.close()


def test_drop_before_removes_whole_segments_only_and_never_the_last(tmp_path: Path) -> None:
    """A segment goes when all its records are below the position; the one in use stays."""
    spool = Spool.open(tmp_path, segment_bytes=1000)
    for first in range(0, 100, 5):
        spool.append(messages(first, 5))
    firsts = [int(path.stem) for path in segment_files(tmp_path)]

    assert spool.drop_before(firsts[3] - 1) == 2
    assert spool.first_position == firsts[2]
    assert spool.drop_before(firsts[3]) == 1
    assert spool.drop_before(10**9) == len(firsts) - 4
    assert spool.first_position == firsts[-1]
    assert payload_numbers(read_all(spool)) == list(range(firsts[-1], 100))
    spool.close()


def test_read_when_dropped_says_what_is_left(tmp_path: Path) -> None:
    """Asking for what was dropped is an error that names the oldest record, never a skip."""
    spool = Spool.open(tmp_path, segment_bytes=500)
    for first in range(0, 50, 5):
        spool.append(messages(first, 5))
    spool.drop_before(30)

    with pytest.raises(StorageError) as caught:
        spool.read(0)

    assert "record 0 was asked for, the oldest held is 30" in str(caught.value)
    assert "reading can go on at record 30" in str(caught.value)
    spool.close()


def test_open_at_least_when_the_ledger_is_ahead_goes_on_from_there(tmp_path: Path) -> None:
    """Positions that the ledger consumed are never given again, also after another restart."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 10))
    spool.close()
    spool = Spool.open(tmp_path, at_least=25)

    assert spool.append([message(25)]) == 25
    assert spool.append([message(26)]) == 26
    spool.close()
    spool = Spool.open(tmp_path, at_least=4)
    assert payload_numbers(read_all(spool, 0)) == [*range(10), 25, 26]
    assert payload_numbers(spool.read(12)) == [25, 26]
    assert spool.next_position == 27
    spool.close()


def test_open_at_least_when_new_begins_there(tmp_path: Path) -> None:
    """A lost spool folder does not make positions start again below the ledger's."""
    spool = Spool.open(tmp_path / "new", at_least=7)

    assert (spool.first_position, spool.next_position, spool.append([message(7)])) == (7, 7, 7)
    spool.close()


def test_open_when_already_open_names_the_other_station(tmp_path: Path) -> None:
    """Two writers in one spool would destroy it: the second is refused with a remedy."""
    spool = Spool.open(tmp_path)

    with pytest.raises(StorageError) as caught:
        Spool.open(tmp_path)

    assert "another process has the spool open. Stop the other station" in str(caught.value)
    spool.close()
    Spool.open(tmp_path).close()


def test_open_when_a_newer_release_wrote_it_refuses(tmp_path: Path) -> None:
    """A segment of another version is never guessed at, nor cut as if it were torn."""
    Spool.open(tmp_path).close()
    path = segment_files(tmp_path)[0]
    _rewrite_version(path, 2)
    before = path.read_bytes()

    with pytest.raises(StateVersionError) as caught:
        Spool.open(tmp_path)

    assert "has version 2, this software reads version 1" in str(caught.value)
    assert path.read_bytes() == before


def test_open_when_a_stray_file_lies_there_says_to_move_it(tmp_path: Path) -> None:
    """A file that is no segment is not guessed at."""
    (tmp_path / "copy of 3.spool").write_bytes(b"")

    with pytest.raises(StorageError) as caught:
        Spool.open(tmp_path)

    assert "not a segment of the spool" in str(caught.value)
    assert "Move the file to another folder" in str(caught.value)


def test_wait_past_wakes_when_a_record_comes_and_ends_when_closed(tmp_path: Path) -> None:
    """The consumer waits on a condition: True when there is a record, False when it is over."""
    spool = Spool.open(tmp_path)
    outcomes: list[bool] = []
    assert spool.wait_past(0, 0.0) is False
    waiter = threading.Thread(target=lambda: outcomes.append(spool.wait_past(0, 30.0)))
    waiter.start()
    spool.append([message(0)])
    waiter.join(30.0)
    waiter = threading.Thread(target=lambda: outcomes.append(spool.wait_past(1, 30.0)))
    waiter.start()
    spool.close()
    waiter.join(30.0)

    assert outcomes == [True, False]


def test_closed_spool_refuses_records_and_may_be_closed_again(tmp_path: Path) -> None:
    """After the end nothing is taken, so nothing can be acknowledged by mistake."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 2), sync=False)
    spool.close()
    spool.close()

    with pytest.raises(StorageError) as caught:
        spool.append([message(2)])

    assert str(caught.value).endswith("the spool is closed. Open it again.")
    assert spool.durable_position == 2


def test_statistics_tell_what_is_held(tmp_path: Path) -> None:
    """Records, bytes, segments, the oldest time and the syncs are counted."""
    spool = Spool.open(tmp_path, segment_bytes=1000)
    assert spool.statistics().oldest_received_us is None
    for first in range(0, 60, 5):
        spool.append(messages(first, 5))
    spool.drop_before(20)

    held = spool.statistics()

    assert held.records == 60 - spool.first_position
    assert held.oldest_received_us == 1_750_000_000_000_000 + spool.first_position
    assert held.segments == len(segment_files(tmp_path))
    # By hand: a head of 42 bytes, a topic of 31, a content type of 3, a payload of 24.
    assert held.bytes == held.records * (42 + 31 + 3 + 24)
    assert (held.appended, held.sync_count, held.failure) == (60, 12, None)
    assert 0 < held.sync_seconds_max <= held.sync_seconds_total
    spool.close()


def _rewrite_version(path: Path, version: int) -> None:
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, 8, version)
    struct.pack_into("<I", content, 28, zlib.crc32(content[:28]))
    path.write_bytes(content)
