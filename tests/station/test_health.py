"""
What counts as a station fault: each figure just inside and just beyond its limit.
"""

from dataclasses import replace
from typing import Any

import pytest

from pipeline.site.models import Storage
from pipeline.station.health import Measured, free_mb, station_faults

STORAGE = Storage(minimum_free_mb=500.0, seal_every_min=10.0)
WELL = Measured(free_mb=9_000.0, sealed_s=60.0)


def test_a_well_station_has_no_fault() -> None:
    """Nothing is reported where nothing is wrong."""
    assert station_faults(WELL, STORAGE) == {}


@pytest.mark.parametrize(
    ("fault", "inside", "beyond", "words"),
    [
        ("disk_low", {"free_mb": 500.0}, {"free_mb": 499.0}, "499 MB free, 500 MB wanted"),
        ("broker_down", {"broker_down_s": 300.0}, {"broker_down_s": 301.0}, "doctor"),
        ("backlog", {"backlog_records": 200_000}, {"backlog_records": 200_001}, "200001"),
        ("notice_undeliverable", {"unsent_s": 900.0}, {"unsent_s": 901.0}, "901 s"),
        ("seal_late", {"sealed_s": 1800.0}, {"sealed_s": 1801.0}, "30 min ago"),
        ("clock", {"clock_behind_s": 2.0}, {"clock_behind_s": 3.0}, "Set the clock"),
        ("clock", {"clock_step_s": 0.0}, {"clock_step_s": -60.0}, "-60 s"),
        ("quarantine", {"quarantined_s": 3600.0}, {"quarantined_s": 1.0}, "refused"),
        ("receiver_dead", {"receiver_dead": False}, {"receiver_dead": True}, "supervisor"),
        ("subscription_refused", {}, {"subscription_refused": "not authorized"}, "rights"),
        ("broker_flapping", {}, {"broker_flapping": "another client uses the id"}, "the id"),
        ("archive_damaged", {}, {"archive_detail": "a file"}, "a file"),
        ("spool_damaged", {}, {"spool_detail": "segment 7"}, "segment 7"),
        ("job_failed", {}, {"job_detail": "retention: OSError"}, "retention"),
        ("notice_undeliverable", {}, {"undeliverable": {"mail:ines": "timed out"}}, "timed out"),
        (
            "worker_restarted",
            {"restarted_s": 600.0, "restart_detail": "the worker fell"},
            {"restarted_s": 5.0, "restart_detail": "the worker fell"},
            "fell",
        ),
    ],
)
def test_a_fault_begins_beyond_its_limit(
    fault: str, inside: dict[str, Any], beyond: dict[str, Any], words: str
) -> None:
    """At its limit a figure is no fault; beyond it is, and the text tells what a person needs."""
    assert station_faults(replace(WELL, **inside), STORAGE) == {}
    found = station_faults(replace(WELL, **beyond), STORAGE)

    assert list(found) == [fault]
    assert words in found[fault]


def test_free_space_is_of_the_folder(tmp_path: Any) -> None:
    """Free space is above nothing and finite on a disk that tests can write to."""
    assert 0 < free_mb(tmp_path) < 1e12
