"""
The log delivery: one synced line a notice, whatever stood in the file before.
"""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest

from pipeline.notify.log import LogDelivery
from tests.notify.post_office import refusal
from tests.notify.scenario import NOW, item, notice


def test_line_holds_the_whole_notice(tmp_path: Path) -> None:
    """Who, what and when can be read back from the one line."""
    path = tmp_path / "deck" / "alarms.log"
    detail = LogDelivery(path).deliver(item(notice(delivery="log")), NOW)
    line = json.loads(path.read_text(encoding="utf-8"))

    assert detail == "appended to alarms.log"
    assert line == {
        "told": "2027-07-01T12:03:05.000000Z",
        "number": 7,
        "recipient": "w.tarrant",
        "priority": "high",
        "alarm": "deck-high.D3",
        "subject": notice().subject,
        "body": notice().body,
        "facts": {"structure": "quillmere", "tell": ["w.tarrant", "o.pell"]},
    }


def test_notices_are_appended_one_a_line_also_after_the_file_was_moved(tmp_path: Path) -> None:
    """A log rotation between two notices loses none."""
    path = tmp_path / "alarms.log"
    delivery = LogDelivery(path)
    for number in (1, 2):
        delivery.deliver(item(notice(subject="a\nb"), number), NOW)
    path.rename(tmp_path / "alarms.log.1")
    delivery.deliver(item(notice(), 3), NOW)
    before = (tmp_path / "alarms.log.1").read_text(encoding="utf-8").splitlines()

    assert [json.loads(line)["number"] for line in before] == [1, 2]
    assert json.loads(path.read_text(encoding="utf-8"))["number"] == 3


def test_a_torn_line_does_not_swallow_the_next(tmp_path: Path) -> None:
    """After a crash in the middle of a line the next notice begins a line of its own."""
    path = tmp_path / "alarms.log"
    path.write_text('{"told": "2027-07-0', encoding="utf-8")
    LogDelivery(path).deliver(item(notice()), NOW)
    lines = path.read_text(encoding="utf-8").splitlines()

    assert lines[0] == '{"told": "2027-07-0'
    assert json.loads(lines[1])["number"] == 7


def test_text_that_utf8_cannot_hold_is_told_all_the_same(tmp_path: Path) -> None:
    """A lone surrogate is spelt, and the line is valid JSON."""
    path = tmp_path / "alarms.log"
    LogDelivery(path).deliver(item(notice(body="D3 \ud800")), NOW)

    assert json.loads(path.read_text(encoding="utf-8"))["body"] == "D3 \ud800"


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """A failure names file, reason and remedy, and is tried again."""
    path = tmp_path / "alarms.log"
    path.mkdir()
    error = refusal(LogDelivery(path), notice())

    assert not error.permanent
    assert str(error) == (
        f"log: cannot append to {path}: [Errno 21] Is a directory: '{path}'. Free some space or "
        "give the station's user the right to write there"
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full here")
def test_a_full_disk_is_not_told() -> None:
    """What the disk did not take does not count as told."""
    error = refusal(LogDelivery(Path("/dev/full")), notice())

    assert "No space left on device" in str(error)


@pytest.mark.parametrize(
    ("priority", "level"),
    [("low", "WARNING"), ("medium", "WARNING"), ("high", "ERROR"), ("critical", "CRITICAL")],
)
def test_the_station_log_gets_a_copy_that_a_level_does_not_hide(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, priority: str, level: str
) -> None:
    """Even a low alarm shows in a log of warnings."""
    with caplog.at_level(logging.WARNING, "spanwarden.notice"):
        LogDelivery(tmp_path / "alarms.log").deliver(item(notice(priority=priority)), NOW)

    assert [(one.levelname, one.getMessage()) for one in caplog.records] == [(level, "notice")]
    assert vars(caplog.records[0])["text"] == notice().subject
