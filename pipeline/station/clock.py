"""
The station's clock: never goes back, and says when the box's clock cannot be right.

Durations in the rules are differences of this clock. When the wall clock steps back, it goes on
by the monotonic clock from where it was, so that no timer is moved back or stands still.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

US = 1_000_000
# Nothing of this system was built before: an earlier wall clock has not been set.
EARLIEST_US = 1_767_225_600 * US  # 2026-01-01T00:00:00Z
STEP_TOLERANCE_US = 2 * US


class Clock:
    """
    Steady time in µs since 1970 UTC: the later of the wall clock and the last value plus elapsed.

    Args:
        floor_us: newest time that the station has written down; 0 for a new one.
        wall, monotonic: sources in ns, replaced in tests.
    """

    def __init__(
        self,
        floor_us: int = 0,
        wall: Callable[[], int] = time.time_ns,
        monotonic: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._last_us = floor_us
        self._last_mono = monotonic()
        self._difference = wall() - self._last_mono

    def now_us(self) -> int:
        """Steady time; of two calls the later one never gives less."""
        with self._lock:
            mono = self._monotonic()
            elapsed = (mono - self._last_mono) // 1000
            self._last_us = max(self._wall() // 1000, self._last_us + elapsed)
            self._last_mono = mono
            return self._last_us

    def behind_us(self) -> int:
        """How far the wall clock is behind steady time; 0 when it is not."""
        return max(0, self.now_us() - self._wall() // 1000)

    def is_set(self) -> bool:
        """Whether the wall clock was ever set: it is past the day this system was begun."""
        return self._wall() // 1000 >= EARLIEST_US

    def is_plausible(self) -> bool:
        """Whether the wall clock was set and is not behind what was already written down."""
        return self._wall() // 1000 >= EARLIEST_US and self.behind_us() <= STEP_TOLERANCE_US

    def step_us(self) -> int:
        """Steps of the wall clock against the monotonic one since the call before, 0 if small."""
        difference = self._wall() - self._monotonic()
        step = (difference - self._difference) // 1000
        self._difference = difference
        return step if abs(step) > STEP_TOLERANCE_US else 0
