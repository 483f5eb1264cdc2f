"""
The bounded queue: groups by number, bytes and time; what happens when it is full or closed.

No test sleeps: waits end by an event or by a time-out of nothing.
"""

from __future__ import annotations

import threading
from typing import Any

from pipeline.ingest.record_queue import Entry, Receipt, RecordQueue
from tests.brokers import wait_until
from tests.ingest.sites import message


def entry(size: int = 1) -> Entry:
    """An entry with a payload of that size."""
    return Entry(message(b"x" * size))


def take(queue: RecordQueue, **changes: Any) -> list[Entry]:
    """A group without waiting, unless told otherwise."""
    bounds = {"window_s": 0.0, "enough": 100, "max_entries": 100, "max_bytes": 10**6, "idle_s": 0.0}
    return queue.take_group(**(bounds | changes))


def test_entries_leave_in_their_order_when_taken_in_groups() -> None:
    """Groups are cut by number, the order stays, nothing is left behind."""
    queue = RecordQueue(100, 10**6)
    entries = [entry() for _ in range(7)]
    for item in entries:
        assert queue.put([item], 0)
    groups = [take(queue, max_entries=3) for _ in range(4)]

    assert [len(group) for group in groups] == [3, 3, 1, 0]
    assert [id(item) for group in groups for item in group] == [id(item) for item in entries]


def test_group_ends_when_it_has_enough_bytes() -> None:
    """The entry that reaches the bound is the last of the group."""
    queue = RecordQueue(100, 10**6)
    queue.put([entry(40) for _ in range(5)], 0)

    assert [len(take(queue, max_bytes=100)) for _ in range(2)] == [3, 2]


def test_put_fails_when_there_is_no_room_in_time() -> None:
    """Neither more entries nor more bytes than the bounds; nothing of a refused put is kept."""
    by_number, by_bytes = RecordQueue(2, 10**6), RecordQueue(100, 10)
    by_number.put([entry()], 0)
    by_bytes.put([entry(6)], 0)

    assert not by_number.put([entry(), entry()], 0)
    assert not by_bytes.put([entry(5)], 0)
    assert (len(by_number), len(by_bytes)) == (1, 1)


def test_large_entry_is_taken_when_the_queue_is_empty() -> None:
    """Else a message above the bound could never come in."""
    assert RecordQueue(2, 10).put([entry(1000)], 0)


def test_put_goes_on_when_room_is_made() -> None:
    """A waiting putter is woken by the taker."""
    queue = RecordQueue(1, 10**6)
    queue.put([entry()], 0)
    outcome: list[bool] = []
    putter = threading.Thread(target=lambda: outcome.append(queue.put([entry()], 20)))
    putter.start()
    wait_until(lambda: len(take(queue)) == 1, "the first entry leaves")
    putter.join(20)

    assert outcome == [True]
    assert len(queue) == 1


def test_taker_does_not_wait_for_the_window_when_it_has_enough() -> None:
    """`enough` entries end the window early; the test's window is a minute."""
    queue = RecordQueue(100, 10**6)
    groups: list[list[Entry]] = []
    taker = threading.Thread(
        target=lambda: groups.append(take(queue, window_s=60.0, enough=3, idle_s=20.0))
    )
    taker.start()
    for _ in range(3):
        queue.put([entry()], 0)
    taker.join(20)

    assert [len(group) for group in groups] == [3]


def test_close_ends_all_waiting_when_called() -> None:
    """Putters are refused, takers get what is left and then nothing."""
    queue = RecordQueue(1, 10**6)
    queue.put([entry()], 0)
    outcome: list[bool] = []
    putter = threading.Thread(target=lambda: outcome.append(queue.put([entry()], 60)))
    putter.start()
    queue.close()
    putter.join(20)

    assert outcome == [False]
    assert len(take(queue, window_s=60.0)) == 1
    assert take(queue, idle_s=60.0) == []


def test_receipt_tells_only_the_first_outcome_when_told_twice() -> None:
    """What was durable stays durable."""
    receipt = Receipt()
    receipt.tell(is_durable=True)
    receipt.tell(is_durable=False)

    assert receipt.wait(0)
    assert not Receipt().wait(0)
