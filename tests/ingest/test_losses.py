"""Lost connections: what is taken for another client with our id, and for how long."""

from __future__ import annotations

import pytest

from pipeline.ingest.losses import Losses

SERVER_SHUTTING_DOWN, TAKEN_OVER = 0x8B, 0x8E
"""MQTT 5.0, table 3-13."""


def lost(*times_s: float, reason: int = SERVER_SHUTTING_DOWN) -> Losses:
    """Connections lost at these times."""
    losses = Losses("spanwarden-deck")
    for time_s in times_s:
        losses.note(time_s, reason)
    return losses


@pytest.mark.parametrize(
    ("times_s", "now_s", "is_fault"),
    [
        ((), 0.0, False),
        ((0.0, 1.0, 2.0, 3.0), 4.0, False),
        ((0.0, 1.0, 2.0, 3.0, 4.0), 4.0, True),
        ((0.0, 1.0, 2.0, 3.0, 299.0), 299.5, True),
        ((0.0, 1.0, 2.0, 3.0, 299.0), 300.0, False),
        ((0.0, 100.0, 200.0, 300.0, 400.0), 401.0, False),
        ((0.0, 400.0, 410.0, 420.0, 430.0, 440.0), 441.0, True),
    ],
)
def test_five_losses_within_five_minutes_are_a_fault(
    times_s: tuple[float, ...], now_s: float, is_fault: bool
) -> None:
    """Fewer, or spread wider, are a broker that restarts or a link that failed."""
    losses = lost(*times_s)

    assert (losses.fault(now_s) is not None) is is_fault
    assert losses.count == len(times_s)


def test_words_name_the_id_and_both_causes() -> None:
    """Of many losses nobody knows which of the two it is."""
    text = lost(0.0, 1.0, 2.0, 3.0, 4.0).fault(5.0) or ""

    assert text.startswith("another client uses the id spanwarden-deck, or the link flaps: 5 conn")


def test_one_session_taken_over_is_a_fault_for_five_minutes() -> None:
    """The broker says itself that another connection has our id."""
    losses = lost(10.0, reason=TAKEN_OVER)

    assert "uses the id spanwarden-deck: the broker gave" in (losses.fault(309.0) or "")
    assert losses.fault(310.0) is None
