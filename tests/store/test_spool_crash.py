"""The spool when it is killed, torn, or its disk fails: what was acknowledged is there."""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.store.frame import MIN_FRAME_BYTES
from pipeline.store.segment import HEADER_BYTES
from pipeline.store.spool import Spool
from tests.store.faults import FaultyDisk, Killed, LossyDisk
from tests.store.records import message, messages, payload_numbers, read_all, segment_files

FULL = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
BROKEN = OSError(errno.EIO, os.strerror(errno.EIO))
ROOT = Path(__file__).parents[2]
SMALL = 750  # two groups of three messages, so that rotation meets unsynced groups too


def _append_groups(spool: Spool) -> Iterator[int]:
    """Groups over several segments, some without a sync; yields how many may be acknowledged."""
    for group in range(12):
        sync = group % 3 != 1
        spool.append(messages(group * 3, 3), sync=sync)
        if sync:
            yield group * 3 + 3


def _calls(folder: Path) -> list[str]:
    """The system calls of a run without a fault."""
    disk = FaultyDisk()
    spool = Spool.open(folder, segment_bytes=SMALL, disk=disk)
    assert list(_append_groups(spool))[-1] == 36
    spool.close()
    return disk.calls


def _killed(folder: Path, disk: FaultyDisk, left: Path, seed: int = 0) -> int:
    """Run until the disk's fault, copy to `left` what remains; how many were acknowledged."""
    acknowledged = 0
    spool = None
    try:
        spool = Spool.open(folder, segment_bytes=SMALL, disk=disk)
        for count in _append_groups(spool):
            acknowledged = count
        spool.close()
    except Killed:
        pass
    if isinstance(disk, LossyDisk):
        disk.cut_power(random.Random(1000 * len(disk.calls) + seed))
    shutil.copytree(folder, left)
    disk.revive()
    if spool is not None:
        spool.close()
    return acknowledged


def _require_prefix(folder: Path, acknowledged: int) -> None:
    """Reopened, it holds all that was acknowledged, in order, without holes, and takes more."""
    for _ in range(2):
        spool = Spool.open(folder, segment_bytes=SMALL)
        found = payload_numbers(read_all(spool))

        assert found == list(range(len(found)))
        assert len(found) >= acknowledged
        assert [record.position for record in read_all(spool)] == found
        assert not list(folder.glob(".*"))
        assert spool.append([message(len(found))]) == len(found)
        spool.close()


@pytest.mark.slow
def test_spool_when_killed_at_any_step_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    """Killed before each system call, or in the middle of a write, no acknowledged record goes."""
    steps = len(_calls(tmp_path / "whole"))
    assert steps > 40
    for step in range(steps):
        folder = tmp_path / f"at-{step}"
        acknowledged = _killed(folder, FaultyDisk(step, Killed()), tmp_path / f"left-{step}")

        _require_prefix(tmp_path / f"left-{step}", acknowledged)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_spool_when_power_is_cut_at_any_step_keeps_what_was_acknowledged(
    tmp_path: Path, seed: int
) -> None:
    """Any sectors that were not yet synced may be lost: a torn group is cut, nothing else."""
    steps = len(_calls(tmp_path / "whole"))
    for step in range(steps):
        folder = tmp_path / f"at-{step}"
        acknowledged = _killed(folder, LossyDisk(step), tmp_path / f"left-{step}", seed)

        _require_prefix(tmp_path / f"left-{step}", acknowledged)


@pytest.mark.slow
@pytest.mark.parametrize("fault", [FULL, BROKEN], ids=["full", "broken"])
def test_spool_when_any_call_fails_acknowledges_nothing_after(
    tmp_path: Path, fault: OSError
) -> None:
    """ENOSPC or EIO at any call: that append and all later ones raise; the records before stay."""
    calls = _calls(tmp_path / "whole")
    first_append = calls.index("write", calls.index("write") + 1)
    for step in range(first_append, len(calls)):
        failing = FaultyDisk(step, fault)
        spool = Spool.open(tmp_path / f"at-{step}", segment_bytes=SMALL, disk=failing)
        durable, failure = 0, ""
        try:
            for group in range(20):
                durable = spool.append(messages(group * 3, 3)) + 1
        except StorageError as error:
            failure = str(error)
        failing.revive()
        with pytest.raises(StorageError) as again:
            spool.append([message(99)])

        assert "records not durable" in failure
        assert "takes no records since a write failed" in str(again.value)
        assert "restart the station: nothing since then was acknowledged" in str(again.value)
        assert spool.durable_position >= durable
        assert len(read_all(spool)) == spool.next_position == spool.durable_position
        assert spool.statistics().failure is not None
        spool.close()


def test_append_when_the_sync_fails_shows_the_group_to_nobody(tmp_path: Path) -> None:
    """What may not be on the medium is neither acknowledged nor consumed, nor waited for."""
    disk = FaultyDisk(fault=BROKEN)
    spool = Spool.open(tmp_path, disk=disk)
    spool.append(messages(0, 2))
    spool.append(messages(2, 2), sync=False)
    disk.fail_at = len(disk.calls) + 1  # the write succeeds, the sync fails

    with pytest.raises(StorageError) as caught:
        spool.append(messages(4, 2))

    assert "Input/output error. The medium failed: read the kernel's log" in str(caught.value)
    assert payload_numbers(spool.read(0)) == [0, 1]
    assert spool.wait_past(2, 0.0) is False
    disk.revive()
    spool.close()


@pytest.mark.slow
def test_open_when_torn_at_any_byte_cuts_the_last_record_only(tmp_path: Path) -> None:
    """A file cut at every byte of its last record: the ones before stay, the next one follows."""
    spool = Spool.open(tmp_path / "whole")
    spool.append(messages(0, 3))
    end = HEADER_BYTES + spool.statistics().bytes
    spool.append([message(3)])
    full = HEADER_BYTES + spool.statistics().bytes
    spool.close()
    content = segment_files(tmp_path / "whole")[0].read_bytes()
    assert full - end > MIN_FRAME_BYTES
    for is_padded in (False, True):
        for cut in range(end, full):
            folder = tmp_path / f"cut-{cut}-{is_padded}"
            folder.mkdir()
            rest = bytes(full - cut) if is_padded else b""
            (folder / f"{0:020d}.spool").write_bytes(content[:cut] + rest)
            spool = Spool.open(folder)

            assert payload_numbers(spool.read(0)) == [0, 1, 2], cut
            torn = len(content[end:cut].rstrip(b"\0"))
            assert spool.statistics().torn_bytes_truncated == torn
            assert spool.append([message(7)]) == 3
            assert payload_numbers(read_all(spool)) == [0, 1, 2, 7]
            spool.close()
            shutil.rmtree(folder)


def test_open_when_torn_before_a_whole_frame_lets_no_ghost_through(tmp_path: Path) -> None:
    """Of a torn group the later frames go too: they must not come back behind a new record."""
    spool = Spool.open(tmp_path)
    spool.append([message(0)])
    offset = HEADER_BYTES + spool.statistics().bytes
    spool.append(messages(1, 3))
    spool.close()
    path = segment_files(tmp_path)[0]
    content = bytearray(path.read_bytes())
    content[offset + 60] ^= 1
    path.write_bytes(content)

    spool = Spool.open(tmp_path)
    spool.append([message(1)])
    spool.close()
    spool = Spool.open(tmp_path)

    assert payload_numbers(read_all(spool)) == [0, 1]
    spool.close()


def test_open_when_a_tail_is_doubtful_writes_it_again(tmp_path: Path) -> None:
    """After a failed sync the system may show bytes that never reached the medium."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 4))
    spool.append(messages(4, 4))
    spool.close()
    disk = LossyDisk()
    spool = Spool.open(tmp_path, disk=disk)

    assert disk.calls[:4] == ["open", "write", "preallocate", "sync"]
    spool.close()


_WRITER = """
import sys
from collections.abc import Iterator
from pathlib import Path
from pipeline.store.spool import Spool
from tests.store.records import messages
spool = Spool.open(Path(sys.argv[1]), segment_bytes=5000)
first = spool.next_position
while True:
    last = spool.append(messages(first, 7))
    first = last + 1
    print(last, flush=True)
"""


@pytest.mark.slow
def test_spool_when_its_process_is_killed_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    """SIGKILL of a real process in the middle of appending, again and again, on one spool."""
    acknowledged = -1
    for round_number in range(5):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE
        )
        assert writer.stdout is not None
        for _ in range(40 + 17 * round_number):
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().splitlines()
        writer.stdout.close()
        writer.wait(30.0)
        acknowledged = max([acknowledged, *(int(line) for line in rest if line)])

        spool = Spool.open(tmp_path, segment_bytes=5000)
        found = payload_numbers(read_all(spool))
        assert found == list(range(len(found)))
        assert len(found) > acknowledged
        spool.close()
