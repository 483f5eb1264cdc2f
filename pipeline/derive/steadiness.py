"""
Whether a window is steady enough for a zero: criteria with what was found and what is allowed.

A zero taken while a lorry passes or the sun comes out shifts every later strain, unseen. Trend
and scatter may be as large as what is not known anyway: u of a reading (its zero not counted) and
of the stated strain together, or 1 µm/m, below which no structure stands still.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import FAIL, SUSPECT, TEST_BIT, TESTS, Bools
from pipeline.derive.zeroing import LOTS, UNCOMPENSATED, Window

LEAST_READINGS = 2 * LOTS
LEAST_SHARE = 0.5
"""Of the readings that the channel's interval promises."""
LARGEST_SHARE = 0.05
"""Of readings that failed, are suspect, not compensated or not warmed up."""
LEAST_MOTION_UM_M = 1.0
"""So much trend over the whole window, and so much scatter about it, is always allowed."""
LARGEST_WARMING_K = 2.0

_ALLOWED_SHARE = f"{100 * LARGEST_SHARE:g} % or less"


@dataclass(frozen=True)
class Criterion:
    """One thing that must hold of a window."""

    name: str
    found: str
    limit: str
    holds: bool
    remedy: str
    is_absolute: bool = False
    """No reason of a person makes up for it."""


def criteria_of(window: Window, expected: int, strain_u_um_m: float = 0.0) -> tuple[Criterion, ...]:
    """
    Every criterion of a window, those that hold too.

    Args:
        window: of `solve_zero`.
        expected: how many readings the channel should have sent in it.
        strain_u_um_m: how well the stated strain is known.
    """
    found = [_readings(window, expected), _compensated(window)]
    if window.usable.any():
        found += [_flags(window), _warm_up(window), *_motion(window, strain_u_um_m)]
        found += _temperature(window)
    return tuple(found)


def _readings(window: Window, expected: int) -> Criterion:
    n = int(np.count_nonzero(window.usable))
    least = max(LEAST_READINGS, int(np.ceil(LEAST_SHARE * expected)))
    return Criterion(
        "readings",
        f"{n} that can be used",
        f"{least} or more",
        n >= least,
        "Take a longer window, or look why the node sent so few.",
        is_absolute=True,
    )


def _compensated(window: Window) -> Criterion:
    missing = window.block.tests & UNCOMPENSATED != 0
    return Criterion(
        "compensation missing",
        _percent(missing),
        _ALLOWED_SHARE,
        bool(np.mean(missing) <= LARGEST_SHARE),
        "Mend the temperature, humidity or companion channel, and take a window after that.",
        is_absolute=True,
    )


def _flags(window: Window) -> Criterion:
    flag = window.block["flag"]
    bad = (flag == SUSPECT) | (flag == FAIL)
    bits = int(np.bitwise_or.reduce(window.block.tests[bad])) if bad.any() else 0
    standing = TEST_BIT["relative_only"] | TEST_BIT["warm_up"]
    names = [name for name in TESTS if bits & ~standing & TEST_BIT[name]]
    return Criterion(
        "flagged 3 or 4",
        _percent(bad) + (f" ({', '.join(names)})" if names else ""),
        _ALLOWED_SHARE,
        bool(np.mean(bad) <= LARGEST_SHARE),
        "See with `spanwarden explain` what these readings failed, and mend that first.",
    )


def _warm_up(window: Window) -> Criterion:
    unsettled = window.block.tests & TEST_BIT["warm_up"] != 0
    return Criterion(
        "not settled (warm_up)",
        _percent(unsettled),
        _ALLOWED_SHARE,
        bool(np.mean(unsettled) <= LARGEST_SHARE),
        "Film or gauge have not settled since the start: wait some of their time constants.",
    )


def _motion(window: Window, strain_u_um_m: float) -> Iterator[Criterion]:
    """Trend and scatter of the mechanical strain."""
    block, rows = window.block, window.usable
    strain = block["mechanical"][rows]
    seconds = (block.time[rows] - block.time[rows][0]) * 1e-6
    u = float(np.hypot(np.median(block["u"][rows]), strain_u_um_m))
    allowed = max(u, LEAST_MOTION_UM_M)
    drift, scatter = 0.0, 0.0
    if len(strain) > 2:
        centred = seconds - seconds.mean()
        slope = float(centred @ strain / (centred @ centred))
        drift = slope * float(seconds[-1])
        rest = strain - strain.mean() - slope * centred
        scatter = float(np.sqrt(rest @ rest / (len(strain) - 2)))
    yield Criterion(
        "drift over the window",
        f"{drift:+.2f} µm/m",
        f"{allowed:.2f} µm/m or less",
        abs(drift) <= allowed,
        "Take a window in which the load stays, such as the hours before sunrise.",
    )
    yield Criterion(
        "scatter",
        f"{scatter:.2f} µm/m",
        f"{allowed:.2f} µm/m or less",
        scatter <= allowed,
        "Close the structure to traffic, or look at the wiring.",
    )


def _temperature(window: Window) -> Iterator[Criterion]:
    warmth = window.block["temperature"][window.usable]
    if np.isnan(warmth).all():
        return  # there is no thermometer, and none is needed
    span = float(np.nanmax(warmth) - np.nanmin(warmth))
    yield Criterion(
        "temperature change",
        f"{span:.2f} K",
        f"{LARGEST_WARMING_K:.1f} K or less",
        span <= LARGEST_WARMING_K,
        "A member that warms is not at one strain: take a shorter window, or one at night.",
    )


def _percent(rows: Bools) -> str:
    return f"{100.0 * float(np.mean(rows)):.1f} %" if len(rows) else "no readings"
