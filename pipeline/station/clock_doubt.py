"""
Whether the readings' own times and the box's clock contradict each other.

A box cannot know which of the two is wrong; a person can, and must be told: a clock that is far
ahead makes the gate refuse every true reading as ancient, one that is behind as future.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.site.models import Storage

US = 1_000_000
HOUR_S = 3600.0
DAY_S = 86_400.0
# Loggers that are read out by hand may bring a week; what comes later is doubted.
LAG_S = 7 * DAY_S
LOOK_S = 60.0


@dataclass(frozen=True)
class Arrivals:
    """Readings that came in a span of time: accepted, and refused for their times."""

    accepted: int = 0
    ancient: int = 0
    future: int = 0


class LastHour:
    """The arrivals of the last hour, from totals that only grow."""

    def __init__(self) -> None:
        self._looks: deque[tuple[float, Arrivals]] = deque()
        self._newest = Arrivals()

    def note(self, at_s: float, counters: Mapping[str, int]) -> None:
        """
        Totals of the gate's counters at a time.

        Args:
            at_s: steady time [s], not before that of the call before.
            counters: of the ledger; a missing one is 0.
        """
        self._newest = Arrivals(
            counters.get("readings", 0), counters.get("ancient", 0), counters.get("future", 0)
        )
        if not self._looks or at_s - self._looks[-1][0] >= LOOK_S:
            self._looks.append((at_s, self._newest))
        while len(self._looks) > 1 and self._looks[1][0] <= at_s - HOUR_S:
            self._looks.popleft()

    def arrivals(self) -> Arrivals:
        """What came since the totals of an hour ago, or since the first; all 0 before any."""
        if not self._looks:
            return Arrivals()
        then, now = self._looks[0][1], self._newest
        return Arrivals(
            now.accepted - then.accepted, now.ancient - then.ancient, now.future - then.future
        )


def clock_doubt(arrivals: Arrivals, newest_us: int, now_us: int, storage: Storage) -> str:
    """
    What a person should read when readings and clock contradict each other; empty when not.

    Args:
        arrivals: of the last hour.
        newest_us: newest time of a reading that was ever accepted [µs since 1970 UTC], 0: none.
        now_us: the station's clock [µs since 1970 UTC].
        storage: what the gate takes.

    Returns:
        A text when at least as many readings were refused for their times as were accepted, or
        when readings are accepted and yet the newest is more than a week old.
    """
    lag_s = (now_us - newest_us) / US if newest_us else 0.0
    refused = max(arrivals.ancient, arrivals.future)
    if refused and refused >= arrivals.accepted:
        is_ancient = arrivals.ancient == refused
        limit_s = storage.oldest_days * DAY_S if is_ancient else storage.future_tolerance_s
        gap_s = max(limit_s, lag_s) if is_ancient else limit_s
        what = "older than the site takes" if is_ancient else "ahead of the box"
        return (
            f"{refused} readings of the last hour were refused as {what}, {arrivals.accepted} were "
            f"accepted: the readings' times and the box's clock differ by more than "
            f"{_duration(gap_s)}; one of them is wrong. Set the box's clock or the logger's."
        )
    if arrivals.accepted and lag_s > LAG_S:
        return (
            f"readings come in, and the newest of them is {_duration(lag_s)} old: the readings' "
            "times and the box's clock differ by so much, and one of them is wrong, or a logger "
            "sends what it kept for so long. Look at both clocks."
        )
    return ""


def _duration(seconds: float) -> str:
    return f"{seconds / DAY_S:.0f} days" if seconds >= 2 * DAY_S else f"{seconds:.0f} s"
