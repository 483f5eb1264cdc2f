"""
Jobs by themselves: how soon an early seal may follow another, and what a lost raw file leads to.
"""

from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from pipeline.notify.sign_of_life import LifeFacts
from pipeline.station import jobs as jobs_module
from pipeline.station.deed import Deed
from pipeline.station.jobs import Jobs, Links
from tests.replaying import US, Replay, copied_site
from tests.streams import recorded


class Monotonic:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        """Seconds."""
        return self.now_s


LIFE = LifeFacts({}, (), None, 0, None, 0, "0" * 64)


def _jobs(replay: Replay, handed: list[Deed], now_us: int, connected: bool = True) -> Jobs:
    links = Links(
        now_us=lambda: now_us,
        committed=lambda: replay.position,
        hand_over=handed.append,
        find=lambda _: None,
        publish=lambda _: connected,
        life=lambda: LIFE,
        standing=lambda _: [],
        life_day="",
    )
    return Jobs(replay.setup, replay.sealer, replay.archive, replay.ledger, links)


@pytest.mark.parametrize(
    ("took_s", "waited_s", "expected_s"),
    [
        (0.5, 0.0, 60.0),
        (0.5, 35.0, 25.0),
        (0.5, 50.0, 20.0),
        (30.0, 60.0, 240.0),
    ],
)
def test_early_seals_are_spaced_by_a_minute_and_ten_times_the_last_one(
    tmp_path: Path, took_s: float, waited_s: float, expected_s: float
) -> None:
    """Counted from the end of the last seal; never sooner than 20 s from now."""
    replay, clock = Replay(copied_site(tmp_path), "quill-deck"), Monotonic()
    with mock.patch.object(jobs_module, "time", clock):
        jobs = _jobs(replay, [], US)

        def seal(until: int, now_us: int) -> list[Any]:
            clock.now_s += took_s
            return []

        with mock.patch.object(replay.sealer, "seal", seal):
            jobs.seal()
        clock.now_s += waited_s
        with mock.patch.object(jobs.scheduler, "soon") as soon:
            jobs.seal_soon()

    soon.assert_called_once_with("seal", pytest.approx(expected_s))
    replay.close()


def test_first_late_reading_is_sealed_soon(tmp_path: Path) -> None:
    """Without a seal before there is nothing to keep a distance from."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    jobs = _jobs(replay, [], US)

    with mock.patch.object(jobs.scheduler, "soon") as soon:
        jobs.seal_soon()

    soon.assert_called_once_with("seal", 20.0)
    replay.close()


@pytest.mark.slow
def test_lost_raw_is_journalled_and_told_as_damage(tmp_path: Path) -> None:
    """Once in the journal; as a fault's text until the station starts anew."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    records = recorded("quiet-day")[:40]
    replay.feed(records)
    handed: list[Deed] = []
    jobs = _jobs(replay, handed, records[-1].received_us)
    jobs.seal()
    path = replay.archive.layout.path(replay.archive.windows()[0], "raw")
    path.write_bytes(b"PAR1 and nothing of use PAR1")
    replay.restart()
    jobs = _jobs(replay, handed, records[-1].received_us + US)
    replay.feed(recorded("quiet-day")[40:50])

    jobs.seal()
    jobs.seal()

    told = [facts for deed in handed for _, _, facts in deed.journal]
    assert [facts["event"] for facts in told] == ["raw made again"]
    assert str(path) in jobs.damaged
    assert str(told[0]["kept_as"]) in jobs.damaged
    assert Path(str(told[0]["kept_as"])).read_bytes() == b"PAR1 and nothing of use PAR1"
    replay.close()


@pytest.mark.parametrize("connected", [True, False])
def test_a_status_that_does_not_go_out_is_tried_again_soon(tmp_path: Path, connected: bool) -> None:
    """Until it is out, subscribers read the last will's "offline"; a minute would be long."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    jobs = _jobs(replay, [], US, connected)
    with mock.patch.object(jobs.scheduler, "soon") as soon:
        jobs.publish_status()

    assert [call.args[0] for call in soon.call_args_list] == ([] if connected else ["status"])
    replay.close()
