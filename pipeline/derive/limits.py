"""
Compiles what a point states for its quality tests into the limits that the chain compares with.
"""

from __future__ import annotations

from math import ceil

from pipeline.derive.gauges import Limits
from pipeline.site.models import Channel, Point

GAP_INTERVALS = 2.5
"""A distance above so many intervals is a gap: one lost reading and some jitter are not."""

NOISE_SLICES = 10
"""A standard deviation is taken over so many slices of time, and anew at the end of each."""

_FILLED = 0.5
"""Share of the values due in the span of the noise test that must have come."""


def limits_of(point: Point, channel: Channel) -> Limits:
    """The limits of a point whose gauge hangs on this channel; None where nothing is stated."""
    interval_us = channel.interval_s * 1e6
    gap_s = GAP_INTERVALS * channel.interval_s if point.gap_s is None else point.gap_s
    noise_us = None if point.noise_s is None else point.noise_s * 1e6
    intervals = point.clock_intervals
    return Limits(
        gross_low=point.gross_low,
        gross_high=point.gross_high,
        rate_per_s=point.rate_per_s,
        flat_us=None if point.flat_s is None else round(point.flat_s * 1e6),
        flat_tolerance=point.flat_tolerance,
        gap_us=round(gap_s * 1e6),
        spike=point.spike_height,
        slice_us=None if noise_us is None else max(round(noise_us / NOISE_SLICES), 1),
        noise_count=2 if noise_us is None else max(ceil(_FILLED * noise_us / interval_us), 2),
        noise_low=point.noise_low,
        noise_high=point.noise_high,
        companion=None if point.companion_um_m is None else point.companion_um_m * 1e-6,
        leakage_drop=point.leakage_drop,
        clock_us=None if intervals is None else round(intervals * interval_us),
        unit=point.unit,
    )
