"""
Joining by time, and how much of a channel is remembered.
"""

from __future__ import annotations

import numpy as np

from pipeline.derive.series import (
    KEPT_US,
    NOTHING,
    THINNED_US,
    WHOLE_US,
    Series,
    edge_memory,
    joined_value,
    last_value,
    live_memory,
    merged,
)

SECOND = 1_000_000


def series(*pairs: tuple[int, float]) -> Series:
    """A series of (time, value)."""
    time, value = zip(*pairs, strict=True)
    return Series(np.array(time, np.int64), np.array(value, np.float64))


def test_join_takes_the_last_value_not_older_than_the_age_and_never_the_future() -> None:
    """At the same time counts, exactly as old as the age counts, one µs older does not."""
    one = series((10, 1.0), (20, 2.0))

    found = last_value(one, np.array([9, 10, 19, 20, 25, 26]), 5)

    np.testing.assert_array_equal(found, [np.nan, 1.0, np.nan, 2.0, 2.0, np.nan])


def test_join_of_nothing_is_nan() -> None:
    """No channel, an unknown channel and an empty one."""
    times = np.array([1, 2])

    for joined, channel in (({}, None), ({}, "a"), ({"a": NOTHING}, "a")):
        assert np.isnan(joined_value(joined, channel, times, 5)).all()


def test_merge_is_in_order_and_what_was_known_first_stays() -> None:
    """A late value finds its place; another value for a known time changes nothing."""
    found = merged(series((10, 1.0), (30, 3.0)), series((20, 2.0), (30, 9.0), (40, 4.0)))

    assert found.time.tolist() == [10, 20, 30, 40]
    assert found.value.tolist() == [1.0, 2.0, 3.0, 4.0]


def test_live_memory_keeps_the_newest_whole_and_thins_what_is_older() -> None:
    """Twelve hours, the last value in each ten seconds, the newest quarter of an hour whole."""
    time = np.arange(0, 13 * 3600, 1, dtype=np.int64) * SECOND + 300_000
    kept = live_memory(Series(time, time.astype(np.float64)))
    newest = time[-1]

    assert kept.time[0] >= newest - KEPT_US
    assert np.array_equal(
        kept.time[kept.time >= newest - WHOLE_US], time[time >= newest - WHOLE_US]
    )
    old = kept.time[kept.time < newest - WHOLE_US]
    assert np.all(np.diff(old) == THINNED_US)
    assert np.all(old % THINNED_US == 9 * SECOND + 300_000)


def test_live_memory_does_not_depend_on_how_often_it_is_taken() -> None:
    """Block by block it ends where one block does, but for spans that are not yet over."""
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.integers(1, 4 * SECOND, 40_000))
    whole = live_memory(Series(time, time.astype(np.float64)))
    kept = NOTHING
    for part in np.array_split(time, 50):
        kept = live_memory(merged(kept, Series(part, part.astype(np.float64))))

    assert set(whole.time.tolist()) >= set(kept.time.tolist()) - {int(kept.time[0])}
    assert len(whole) - len(kept) <= 1


def test_edge_memory_is_the_last_value_while_it_is_young_enough() -> None:
    """Older than any join may use is forgotten."""
    one = series((10, 1.0), (20, 2.0))

    assert edge_memory(one, 25, 5).time.tolist() == [20]
    assert len(edge_memory(one, 26, 5)) == 0
