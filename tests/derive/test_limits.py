"""
What a point states becomes what the chain compares with.
"""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.derive.gauges import Limits
from pipeline.derive.limits import limits_of
from pipeline.site.models import Channel, Point


def limits(**point: Any) -> Limits:
    """Of a point whose gauge is read every 20 s."""
    channel = Channel(id="c", node="n", kind="bridge", unit="/", interval_s=20.0)
    return limits_of(Point(id="p", structure="s", member="deck", **point), channel)


def test_nothing_stated_requires_nothing_but_the_gap_test() -> None:
    """2.5 intervals of 20 s are 50 s; every other limit is absent."""
    found = limits()

    assert found == Limits(None, None, None, None, 0.0, 50_000_000, unit="µm/m")


def test_stated_figures_come_in_the_units_of_the_chain() -> None:
    """Seconds to µs, µm/m to m/m, intervals to µs; a tenth of the span of noise is a slice."""
    found = limits(
        gap_s=90.0, flat_s=600.0, noise_s=1200.0, companion_um_m=40.0, clock_intervals=10.0
    )

    assert found.gap_us == 90_000_000
    assert found.flat_us == 600_000_000
    assert found.slice_us == 120_000_000
    assert found.companion == pytest.approx(40e-6, rel=1e-15)
    assert found.clock_us == 200_000_000


@pytest.mark.parametrize(("span", "fewest"), [(1200.0, 30), (1210.0, 31), (20.0, 2)])
def test_half_of_the_values_due_in_the_span_must_come(span: float, fewest: int) -> None:
    """60 of them are due in 1200 s, 60.5 in 1210 s; of fewer than two there is no deviation."""
    assert limits(noise_s=span).noise_count == fewest
