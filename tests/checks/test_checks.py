"""
Every row of the check table holds, and tests/CHECKS.md is what the rows give.
"""

from __future__ import annotations

import pytest

from tests.checks.row import Check
from tests.checks.table import DOCUMENT, TOPICS, rendered, rows_of

ITEMS = [
    pytest.param(number, item, id=f"{topic.title}: {item}")
    for number, topic in enumerate(TOPICS)
    for item in topic.items
]


@pytest.mark.parametrize(("topic", "item"), ITEMS)
def test_published_figures_are_met(topic: int, item: str) -> None:
    """Each figure of the item agrees with what is published, to the digits that it must."""
    rows = rows_of(topic, item)

    assert rows
    assert [f"{row}: {row.met} digits" for row in rows if not row.holds] == []


@pytest.mark.slow
def test_the_committed_table_is_what_the_rows_give() -> None:
    """Byte for byte; where it is not, `bash ops/checks.sh` writes it and shows what changed."""
    assert DOCUMENT.read_bytes() == rendered().encode()


def row(
    published: str,
    ours: float | str,
    digits: int | None = None,
    printed: int | None = None,
    within: float | None = None,
) -> Check:
    """A row of these two figures."""
    return Check("item", "quantity", "source", published, ours, "", digits, printed, within)


@pytest.mark.parametrize(
    ("published", "ours", "met"),
    [
        ("33.8", 33.84, 3),
        ("33.8", 33.8530, 2),
        ("33.8", 34.31, 1),
        ("33.8", 39.0, 0),
        ("-0.0029", -0.00294, 2),
        ("0.0029", -0.0029, 0),
        ("1.0632", 1.063224, 5),
        ("272", 272.49, 3),
        ("272", float("nan"), 0),
        ("272", float("inf"), 0),
    ],
)
def test_digits_are_counted_by_half_units(published: str, ours: float, met: int) -> None:
    """By hand: half a unit of the k-th digit of 33.8 is 5, 0.5 and 0.05."""
    one = row(published, ours)

    assert one.met == met
    assert one.holds == (met == len(published.replace(".", "").lstrip("-0")))


def test_a_row_that_misses_a_digit_does_not_hold() -> None:
    """Asked for 13 digits of 15: half a unit of the 13th is 5e-13. A zero and text have none."""
    assert not row("1", 1.0 + 6e-13, digits=13, printed=15).holds
    assert row("1", 1.0 + 4e-13, digits=13, printed=15).holds
    assert not row("0", 2e-7, within=1e-7).holds
    assert row("0", 9e-8, within=1e-7).holds
    assert not row("x..", "..x").holds


@pytest.mark.parametrize(
    "published", ["0.257426544538321", "15.946733567793", "1.5104831444641e-05"]
)
def test_a_row_looks_the_same_wherever_it_holds(published: str) -> None:
    """At both ends of what must agree and between, ours is printed alike: no tie is crossed."""
    value, digits = float(published), 10
    half = float(row(published, value, digits=digits, printed=15).half_unit(digits))
    looks = {
        row(published, value + share * half, digits=digits, printed=15).cells()
        for share in (-0.999, -0.5, 0.0, 0.5, 0.999)
    }

    assert len(looks) == 1
