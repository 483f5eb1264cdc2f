"""
The station's clock under every way in which a box's clock can be wrong.
"""

from dataclasses import dataclass

import pytest

from pipeline.station.clock import EARLIEST_US, Clock

US = 1_000_000
NOW_US = EARLIEST_US + 86_400 * US


@dataclass
class Box:
    """A box whose two clocks the test moves."""

    wall_us: int = NOW_US
    mono_us: int = 5_000 * US

    def pass_time(self, seconds: float) -> None:
        """Both clocks go on."""
        self.wall_us += round(seconds * US)
        self.mono_us += round(seconds * US)

    def clock(self, floor_us: int = 0) -> Clock:
        """A station's clock on this box."""
        return Clock(floor_us, lambda: self.wall_us * 1000, lambda: self.mono_us * 1000)


def test_follows_the_wall_clock() -> None:
    """Without a step, station time is wall time."""
    box = Box()
    clock = box.clock()
    box.pass_time(12.5)

    assert clock.now_us() == box.wall_us


@pytest.mark.parametrize("back_s", [3, 3600, 365 * 86_400])
def test_goes_on_by_the_monotonic_clock_when_the_wall_clock_steps_back(back_s: int) -> None:
    """A step back neither moves station time back nor makes it stand still."""
    box = Box()
    clock = box.clock()
    before = clock.now_us()
    box.wall_us -= back_s * US
    box.pass_time(10)

    assert clock.now_us() == before + 10 * US
    assert clock.behind_us() == back_s * US
    assert clock.step_us() == -back_s * US


def test_follows_a_step_forward_at_once() -> None:
    """A box that boots in the past and is set later jumps to the true time."""
    box = Box(wall_us=0)
    clock = box.clock()
    clock.now_us()
    assert not clock.is_plausible()
    box.wall_us = NOW_US

    assert clock.now_us() == NOW_US
    assert clock.is_plausible()


def test_starts_from_what_was_written_down() -> None:
    """After a restart with a dead clock battery, time goes on from the ledger's newest time."""
    box = Box(wall_us=0)
    clock = box.clock(floor_us=NOW_US)
    box.pass_time(7)

    assert clock.now_us() == NOW_US + 7 * US
    assert not clock.is_plausible()


def test_a_step_is_told_once_and_small_ones_are_not() -> None:
    """`step_us` tells each step once; slewing of a second is no step."""
    box = Box()
    clock = box.clock()
    box.wall_us += 1 * US
    assert clock.step_us() == 0
    box.wall_us += 90 * US

    assert clock.step_us() == 90 * US
    assert clock.step_us() == 0
