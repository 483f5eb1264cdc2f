"""
Readings are taken from a spool that a worker holds, and from what a crash left of one.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.site.models import Site
from pipeline.station.layout import structure_of
from pipeline.station.machine import Setup, compile_setup
from pipeline.station.unsealed import unsealed_readings
from pipeline.store.segment import Segment
from pipeline.store.spool import Record, RecordKind, Spool
from tests.replaying import US, copied_site
from tests.streams import Row, messages

EVERYTHING = (-(2**62), 2**62)
START_US = 1_781_049_600 * US  # 2026-06-10
ROWS = [Row(START_US + i * 60 * US, "n1-g1-t", 10.0 + i / 8, i) for i in range(40)]


@pytest.fixture
def setup(tmp_path: Path) -> Setup:
    """The example deck."""
    site: Site = copied_site(tmp_path)
    return compile_setup(site, structure_of(site, "quill-deck"))


def records(setup: Setup, rows: list[Row] = ROWS) -> list[Record]:
    """A message a reading."""
    return [
        Record(RecordKind.MESSAGE, START_US + 3600 * US, payload, topic, "application/senml+json")
        for topic, payload in messages(rows, 1, setup)
    ]


def filled(folder: Path, setup: Setup, *, segment_bytes: int = 16 << 20) -> Spool:
    """A spool with all of `ROWS`, a tick between; in several segments where they are small."""
    spool = Spool.open(folder, segment_bytes=segment_bytes)
    for record in records(setup):
        spool.append([record, Record(RecordKind.TICK, record.received_us, b"{}")])
    return spool


@pytest.mark.parametrize("segment_bytes", [1 << 10, 16 << 20])
def test_a_spool_that_is_held_is_read_whole(
    tmp_path: Path, setup: Setup, segment_bytes: int
) -> None:
    """Every reading of every segment, in the order of arrival, while the lock is another's."""
    spool = filled(tmp_path / "spool", setup, segment_bytes=segment_bytes)
    found = unsealed_readings(tmp_path / "spool", setup, *EVERYTHING)
    files = len(list((tmp_path / "spool").glob("*.spool")))
    spool.close()

    assert (files > 2) is (segment_bytes == 1 << 10)
    assert found.column("time").tolist() == [row.time_us for row in ROWS]
    assert found.column("value").tolist() == [row.value for row in ROWS]


def test_only_the_span_is_given(tmp_path: Path, setup: Setup) -> None:
    """From the start on, the end not."""
    spool = filled(tmp_path / "spool", setup)
    span = (ROWS[5].time_us, ROWS[8].time_us)
    found = unsealed_readings(tmp_path / "spool", setup, *span)
    spool.close()

    assert found.column("time").tolist() == [row.time_us for row in ROWS[5:8]]


def test_a_torn_end_is_left_out(tmp_path: Path, setup: Setup) -> None:
    """Half a record behind the last whole one, as at a write that is going on: no error."""
    folder = tmp_path / "spool"
    filled(folder, setup).close()
    (path,) = folder.glob("*.spool")
    content = path.read_bytes().rstrip(b"\0")
    path.write_bytes(content[:-7])
    found = unsealed_readings(folder, setup, *EVERYTHING)

    # The last record is a tick; the last message is before it.
    assert len(found) == len(ROWS)
    path.write_bytes(content[: len(content) // 2])
    assert 0 < len(unsealed_readings(folder, setup, *EVERYTHING)) < len(ROWS)


def test_no_spool_holds_nothing(tmp_path: Path, setup: Setup) -> None:
    """A station that never ran, and one whose spool is empty."""
    Spool.open(tmp_path / "empty").close()

    assert len(unsealed_readings(tmp_path / "missing", setup, *EVERYTHING)) == 0
    assert len(unsealed_readings(tmp_path / "empty", setup, *EVERYTHING)) == 0


def test_a_segment_that_is_dropped_meanwhile_is_no_error(
    tmp_path: Path, setup: Setup, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker lets a segment go between its listing and its reading: it is sealed by then."""
    folder = tmp_path / "spool"
    filled(folder, setup, segment_bytes=1 << 10).close()
    paths = sorted(folder.glob("*.spool"))
    real = Segment.read

    def drops(segment: Segment, *limits: int) -> list[Record]:
        if segment.path == paths[1]:
            segment.path.unlink(missing_ok=True)
        return real(segment, *limits)

    monkeypatch.setattr(Segment, "read", drops)
    found = unsealed_readings(folder, setup, *EVERYTHING)

    assert 0 < len(found) < len(ROWS)


def test_a_medium_that_cannot_be_read_is_told(
    tmp_path: Path, setup: Setup, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the file, and what to do."""
    folder = tmp_path / "spool"
    filled(folder, setup).close()

    def fails(*_: object) -> Segment:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Segment, "open", fails)
    with pytest.raises(StorageError) as told:
        unsealed_readings(folder, setup, *EVERYTHING)

    assert "the spool is not read: Permission denied. Run this as the station's user" in (
        str(told.value)
    )
