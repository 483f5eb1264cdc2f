"""
Readings' times against the box's clock: what is doubted, what is not, and over which hour.
"""

import pytest

from pipeline.site.models import Storage
from pipeline.station.clock_doubt import Arrivals, LastHour, clock_doubt
from pipeline.station.health import Measured, station_faults

DAY_US = 86_400_000_000
# 2026-11-25T00:00:00Z is day 20,782 after 1970-01-01.
NOW_US = 20_782 * DAY_US
STORAGE = Storage(oldest_days=400.0, future_tolerance_s=300.0)


@pytest.mark.parametrize(
    ("arrivals", "lag_days", "words"),
    [
        (Arrivals(accepted=0, ancient=50), 7305.0, "7305 days"),
        (Arrivals(accepted=50, ancient=50), 0.0, "400 days"),
        (Arrivals(accepted=0, future=3), 0.0, "300 s"),
        (Arrivals(accepted=10), 100.0, "100 days"),
    ],
)
def test_times_that_contradict_the_clock_are_a_fault(
    arrivals: Arrivals, lag_days: float, words: str
) -> None:
    """By how much is told, that one of the two is wrong, and it is the station's fault `clock`."""
    doubt = clock_doubt(arrivals, NOW_US - round(lag_days * DAY_US), NOW_US, STORAGE)

    faults = station_faults(Measured(free_mb=9_000.0, clock_doubt=doubt), STORAGE)

    assert list(faults) == ["clock"]
    assert words in faults["clock"]
    assert "one of them is wrong" in faults["clock"]


@pytest.mark.parametrize(
    ("arrivals", "lag_days"),
    [
        (Arrivals(), 7305.0),
        (Arrivals(accepted=50, ancient=49), 0.0),
        (Arrivals(accepted=50, future=49), 0.0),
        (Arrivals(accepted=50), 7.0),
    ],
)
def test_a_silent_site_a_single_bad_logger_and_a_weekly_one_are_no_doubt(
    arrivals: Arrivals, lag_days: float
) -> None:
    """Those have rules of their own; nothing is said of the clock."""
    assert clock_doubt(arrivals, NOW_US - round(lag_days * DAY_US), NOW_US, STORAGE) == ""


def test_without_any_reading_there_is_nothing_to_compare() -> None:
    """A new station has accepted none: no lag is made up from 1970."""
    assert clock_doubt(Arrivals(accepted=1), 0, NOW_US, STORAGE) == ""


def test_only_the_last_hour_counts() -> None:
    """Totals before the start and of two hours ago are not in it; those within it all are."""
    hour = LastHour()
    empty = hour.arrivals()
    hour.note(0.0, {"readings": 1_000, "ancient": 9})
    first = hour.arrivals()
    for minute in range(1, 181):
        hour.note(minute * 60.0, {"readings": 1_000 + minute, "ancient": 9 + (minute > 30) * 5})

    assert empty == first == Arrivals()
    assert hour.arrivals() == Arrivals(accepted=60)
