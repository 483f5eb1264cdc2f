"""Replacing a file: killed at any step the old or the new one stands, and errors have a remedy."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.store.durable import part_name, replace_durably, sync_folder
from tests.store.faults import FaultyDisk, Killed

STEPS = ["open", "write", "sync", "replace", "sync_folder"]


def test_replace_when_all_is_well_syncs_the_file_before_and_the_folder_after(
    tmp_path: Path,
) -> None:
    """The order of the system calls is what makes the replacement durable."""
    disk = FaultyDisk()
    path = tmp_path / "zeros.json"

    replace_durably(path, b"new", disk=disk)

    assert disk.calls == STEPS
    assert path.read_bytes() == b"new"
    assert os.listdir(tmp_path) == ["zeros.json"]


@pytest.mark.parametrize("step", range(len(STEPS)), ids=STEPS)
def test_replace_when_killed_leaves_the_old_or_the_new_file_whole(
    tmp_path: Path, step: int
) -> None:
    """Up to the rename the old file stands; then the new; the next call cleans up."""
    path = tmp_path / "zeros.json"
    path.write_bytes(b"the old content")

    with pytest.raises(Killed):
        replace_durably(path, b"new content", disk=FaultyDisk(step, Killed()))

    renamed = STEPS[step] == "sync_folder"
    assert path.read_bytes() == (b"new content" if renamed else b"the old content")
    replace_durably(path, b"newer", disk=FaultyDisk())
    assert path.read_bytes() == b"newer"
    assert os.listdir(tmp_path) == ["zeros.json"]


@pytest.mark.parametrize("step", range(len(STEPS)), ids=STEPS)
def test_replace_when_the_disk_is_full_says_so_and_keeps_a_whole_file(
    tmp_path: Path, step: int
) -> None:
    """ENOSPC at any step is a StorageError with file, reason and remedy; nothing half is left."""
    path = tmp_path / "zeros.json"
    path.write_bytes(b"old")
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(StorageError) as caught:
        replace_durably(path, b"new", disk=FaultyDisk(step, full))

    assert str(caught.value) == (
        f"{path}: not replaced: No space left on device. The disk is full: make room; nothing is "
        "removed that is not sealed."
    )
    assert path.read_bytes() in (b"old", b"new")


def test_part_name_when_read_as_a_data_folder_is_skipped() -> None:
    """Readers of Parquet folders skip names that begin with a dot."""
    assert part_name(Path("raw/day.parquet")) == Path("raw/.day.parquet.part")


def test_sync_folder_when_missing_says_what_to_do(tmp_path: Path) -> None:
    """A folder that is not there is an error with a remedy, not a silent success."""
    with pytest.raises(StorageError) as caught:
        sync_folder(tmp_path / "gone")

    assert "the folder is not synced: No such file or directory. Make the folder" in str(
        caught.value
    )
