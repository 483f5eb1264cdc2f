"""
Repeats and contradictions, and the order of a channel's rows.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.blocks import Readings
from pipeline.derive.select import ChannelRows, select_channels


def rows(
    *items: tuple[str, int, float, int, int | None], channels: str = "abc"
) -> dict[str, ChannelRows]:
    """Selected rows of (channel, time, value, received, sequence)."""
    channel, time, value, received, sequence = zip(*items, strict=True)
    block = Readings.from_columns(time, channel, value, received, pa.array(sequence, pa.int64()))
    return select_channels(block, set(channels))


def test_channels_are_sorted_by_time_and_unknown_ones_left_out() -> None:
    """Interleaved and out of order in; one ascending run a channel out."""
    found = rows(
        ("b", 2, 1.0, 9, None),
        ("a", 5, 2.0, 9, None),
        ("z", 1, 9.0, 9, None),
        ("b", 1, 3.0, 9, None),
    )

    assert sorted(found) == ["a", "b"]
    assert found["b"].time.tolist() == [1, 2]
    assert found["b"].value.tolist() == [3.0, 1.0]


def test_identical_repeat_is_one_row_and_no_contradiction() -> None:
    """Same channel, time and value, however often, counts once."""
    found = rows(("a", 1, 2.0, 9, None), ("a", 1, 2.0, 30, 4), ("a", 1, 2.0, 5, None))

    assert found["a"].value.tolist() == [2.0]
    assert not found["a"].contradicted.any()


def test_contradiction_goes_to_the_highest_sequence() -> None:
    """None is below any number, even a negative one."""
    found = rows(("a", 1, 2.0, 1, None), ("a", 1, 3.0, 9, -5), ("a", 1, 4.0, 9, -7))

    assert found["a"].value.tolist() == [3.0]
    assert found["a"].contradicted.tolist() == [True]


def test_sequence_stays_with_its_row_through_sorting_and_settling() -> None:
    """NaN where there is none; of a contradiction that of the winner."""
    found = rows(
        ("a", 3, 1.0, 9, 30), ("b", 1, 1.0, 9, 7), ("a", 1, 2.0, 9, 10), ("a", 2, 3.0, 9, None),
        ("a", 1, 5.0, 9, 11),
    )  # fmt: skip

    np.testing.assert_array_equal(found["a"].sequence, [11.0, np.nan, 30.0])
    np.testing.assert_array_equal(found["b"].sequence, [7.0])
    np.testing.assert_array_equal(found["a"].take(slice(0, 1)).sequence, [11.0])


def test_sequence_is_absent_where_no_node_sends_one() -> None:
    """No column of NaN is carried for nothing."""
    assert rows(("a", 1, 2.0, 9, None))["a"].sequence is None


def test_values_that_lose_are_kept_beside_the_winner_when_asked_for() -> None:
    """By time, without repeats of the winner; a channel without any has none."""
    items = [("a", 2, 1.0, 1, 9), ("b", 1, 5.0, 1, 9), ("b", 2, 5.0, 3, 9), ("b", 2, 6.0, 2, 9)]
    items += [("b", 1, 4.0, 2, 9), ("b", 1, 5.0, 3, 9), ("b", 1, 3.0, 3, 9)]
    channel, time, value, received, sequence = zip(*items, strict=True)
    block = Readings.from_columns(time, channel, value, received, pa.array(sequence, pa.int64()))

    found = select_channels(block, {"a", "b"}, with_others=True)

    others = found["b"].others
    assert others is not None
    assert (others.time.tolist(), others.value.tolist()) == ([1, 1, 2], [4.0, 3.0, 5.0])
    assert others.contradicted.all()
    assert found["a"].others is None
    assert select_channels(block, {"b"})["b"].others is None


def test_contradiction_without_sequences_goes_to_the_first_received_then_first_placed() -> None:
    """Smallest received; of two received together, the one that stands first."""
    found = rows(
        ("a", 1, 2.0, 8, None), ("a", 1, 3.0, 7, None), ("a", 1, 4.0, 7, None), ("a", 2, 5.0, 7, 1)
    )

    assert found["a"].value.tolist() == [3.0, 5.0]
    assert found["a"].contradicted.tolist() == [True, False]


_ITEM = st.tuples(
    st.sampled_from("abz"),
    st.integers(0, 6),
    st.integers(0, 2).map(float),
    st.integers(0, 3),
    st.one_of(st.none(), st.integers(0, 3)),
)


@settings(deadline=None)  # a busy machine is no failure
@given(st.lists(_ITEM, min_size=1, max_size=40))
def test_selection_is_what_a_plain_loop_chooses(
    items: list[tuple[str, int, float, int, int | None]],
) -> None:
    """Against the rule written out row by row."""
    expected: dict[tuple[str, int], list[tuple[int, int, int, float]]] = {}
    for place, (channel, time, value, received, sequence) in enumerate(items):
        rank = -1 if sequence is None else sequence
        expected.setdefault((channel, time), []).append((-rank, received, place, value))

    found = rows(*items)

    flat = {
        (channel, int(t)): (v, bool(c))
        for channel, r in found.items()
        for t, v, c in zip(r.time, r.value, r.contradicted, strict=True)
    }
    assert flat == {
        key: (min(group)[3], len({one[3] for one in group}) > 1)
        for key, group in expected.items()
        if key[0] != "z"
    }
    assert all(np.all(np.diff(r.time) > 0) for r in found.values())
