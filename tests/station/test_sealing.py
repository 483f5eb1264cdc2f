"""
The sealer against a medium that loses the open window's raw while the spool still holds it all.
"""

import os
from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.store.archive import Archive
from tests.replaying import US, Replay, copied_site
from tests.store.archives import contents
from tests.streams import recorded

DAY_US = 86_400 * US


def _lose(path: Path, how: str) -> None:
    if how == "missing":
        path.unlink()
        return
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


def _final(folder: Path, how: str | None, before: str = "late half") -> Replay:
    """A day sealed half-way and then to the end, its raw lost before the one or the other."""
    replay = Replay(copied_site(folder), "quill-deck")
    records = recorded("quiet-day")[:240]
    half = len(records) // 2
    replay.feed(records[:half])
    replay.seal(records[half - 1].received_us)
    path = replay.archive.layout.path(replay.archive.windows()[-1], "raw")
    if how and before == "late half":
        _lose(path, how)
    replay.feed(records[half:])
    replay.seal(records[-1].received_us)
    if how and before == "final seal":
        _lose(path, how)
    replay.seal(records[-1].received_us + 3 * DAY_US)
    return replay


@pytest.mark.parametrize("before", ["late half", "final seal"])
@pytest.mark.parametrize("how", ["missing", "damaged"])
@pytest.mark.slow
def test_open_raw_that_is_lost_is_made_again_from_the_spool(
    tmp_path: Path, how: str, before: str
) -> None:
    """The archive is that of a station which lost nothing; the damaged file is kept, and told."""
    whole = _final(tmp_path / "whole", None)
    replay = _final(tmp_path / "lost", how, before)
    lost = replay.sealer.take_lost()
    kept = sorted(replay.archive.layout.damaged_folder.glob("*.parquet"))

    assert contents(replay.archive) == contents(whole.archive)
    assert all(replay.archive.is_final(window) for window in replay.archive.windows())
    assert all(
        replay.archive.metadata(window, "raw")["complete"] == "true"
        for window in replay.archive.windows()
    )
    assert len(lost) == 1
    assert lost[0]["event"] == "raw made again"
    assert [str(path) for path in kept] == ([lost[0]["kept_as"]] if how == "damaged" else [])
    assert whole.sealer.take_lost() == replay.sealer.take_lost() == []


@pytest.mark.slow
def test_final_raw_that_is_damaged_is_not_replaced_by_a_late_reading(tmp_path: Path) -> None:
    """The spool has only the late one: the seal is refused, file and spool stay as they are."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    records = recorded("quiet-day")[:120]
    replay.feed(records[:-1])
    replay.seal(records[-1].received_us)
    replay.seal(records[-1].received_us + 3 * DAY_US)
    path = replay.archive.layout.path(replay.archive.windows()[0], "raw")
    _lose(path, "damaged")
    damaged = path.read_bytes()
    replay.feed(records[-1:])

    with pytest.raises(StorageError, match="put the file back"):
        replay.seal(records[-1].received_us + 3 * DAY_US)

    assert path.read_bytes() == damaged
    assert replay.spool.first_position < replay.spool.next_position
    assert replay.sealer.take_lost() == []


def test_setting_aside_again_after_a_crash_is_harmless(tmp_path: Path) -> None:
    """A window without raw loses what was derived and gives no file."""
    archive = Archive(tmp_path, "ford", 24)
    path = archive.layout.path(0, "results")
    path.parent.mkdir(parents=True)
    path.write_bytes(b"half")

    first, again = archive.set_aside(0, 1), archive.set_aside(0, 2)

    assert first is again is None
    assert os.listdir(path.parent) == []
