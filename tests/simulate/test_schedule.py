"""
Events and faults as written on the command line.
"""

import pytest

from pipeline.simulate.events import Event
from pipeline.simulate.faults import Fault
from pipeline.simulate.schedule import read_event, read_fault, span_us

MINUTE = 60_000_000


@pytest.mark.parametrize(
    ("text", "microseconds"),
    [("90s", 90_000_000), ("15m", 15 * MINUTE), ("1.5h", 90 * MINUTE), ("2d", 2880 * MINUTE)],
)
def test_spans_are_read(text: str, microseconds: int) -> None:
    """Seconds, minutes, hours and days."""
    assert span_us(text) == microseconds


def test_an_event_counts_from_the_start() -> None:
    """Offset and duration are added to the start; size is 1 unless told."""
    assert read_event("overload@30m+6m", 1000) == Event(
        "overload", 1000 + 30 * MINUTE, 1000 + 36 * MINUTE, 1.0
    )
    assert read_event("heat_wave@0s+2d*7.5", 0).size == 7.5


def test_a_fault_names_its_target() -> None:
    """Channel or node before the offset; size after the star, also negative."""
    assert read_fault("open:n1-g1s1-ohm@1h+20m", 0) == Fault(
        "open", "n1-g1s1-ohm", 60 * MINUTE, 80 * MINUTE
    )
    assert read_fault("clock_jump:deck-n1@10m+5m*-3600", 0).size == -3600.0


@pytest.mark.parametrize("text", ["overload@30m", "storm@1h+1h", "overload:x@1h+1h", "1h"])
def test_a_wrong_event_is_told_how_to_write_it(text: str) -> None:
    """The message shows the form and the kinds."""
    with pytest.raises(ValueError, match=r"KIND@OFFSET\+DURATION.*overload, load_test, heat_wave"):
        read_event(text, 0)


@pytest.mark.parametrize("text", ["open@1h+1h", "burn:a@1h+1h", "open:a@1h"])
def test_a_wrong_fault_is_told_how_to_write_it(text: str) -> None:
    """The message shows the form and the kinds."""
    with pytest.raises(ValueError, match=r"KIND:TARGET@OFFSET\+DURATION.*open, short"):
        read_fault(text, 0)


@pytest.mark.parametrize("kind", ["spikes", "clock_jump", "drift"])
def test_a_fault_that_needs_a_size_says_so(kind: str) -> None:
    """A clock jump by nothing would be no fault."""
    with pytest.raises(ValueError, match="needs a size"):
        read_fault(f"{kind}:a@1h+1h", 0)


def test_a_wrong_span_is_told_how_to_write_it() -> None:
    """A number without a unit is refused."""
    with pytest.raises(ValueError, match="write 90s, 15m"):
        span_us("90")
