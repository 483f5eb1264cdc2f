"""
The check table: rows of every topic, rendered as tests/CHECKS.md.

`python -m tests.checks.table` writes it again; a test fails where it is not what the rows give.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.checks.bridges import BRIDGES
from tests.checks.members import MEMBERS
from tests.checks.metrology import METROLOGY
from tests.checks.nist import LEAST_SQUARES, VARIANCE
from tests.checks.practice import PRACTICE
from tests.checks.quality import QUALITY
from tests.checks.row import Check, Topic
from tests.checks.senml import SENML

DOCUMENT = Path(__file__).parents[1] / "CHECKS.md"
TOPICS = (LEAST_SQUARES, VARIANCE, METROLOGY, BRIDGES, MEMBERS, QUALITY, SENML, PRACTICE)
HEAD = ("Item", "Quantity", "Unit", "Source", "Published", "Ours", "Difference", "Digits met")

OPENING = """\
# Check values

What others published, beside what this software makes of the same input. The tests write this
file (`bash ops/checks.sh`) and fail when a row does not hold or when the file is not what the
rows give, byte for byte; nothing in it is typed by hand.

- **Published** is written as the source prints it, **ours** with two digits more.
- **Digits met**: two numbers agree to k significant digits when they differ by no more than half a
  unit of the published figure's k-th digit. "3 of 4" is: three of the four that are printed.
- From 9 digits on, what is left is rounding error, which differs between machines. There the
  difference is the bound that the tests hold, the digits are those they ask for (on most machines
  there are more), and ours is cut to what no machine can show otherwise.
- **Certified**, **printed**: the figure was copied from a stored copy of the source. **From
  memory**: it was written down by somebody who knew it, without a copy at hand; look it up before
  you lean on it. **Recomputed**, **computed there**: worked out from the published input apart from
  this software. **By hand**: derived in the docstring of its test. **Common practice**: what people
  of the trade take for granted; no single source owns it. **By design**: we deviate, and say how.

Not used: IEC 60751 (Pt100) and ITS-90 (type K) tables, since temperatures come to this software
in °C and it has no such function.
"""


@cache
def rows_of(topic: int, item: str) -> tuple[Check, ...]:
    """Rows of one item of one of `TOPICS`; worked out once."""
    return tuple(TOPICS[topic].items[item]())


def rendered() -> str:
    """The whole document."""
    parts = (line for i in range(len(TOPICS)) for line in _part(i))
    return "\n".join([OPENING, *_summary(), *parts]).rstrip("\n") + "\n"


def _summary() -> Iterator[str]:
    yield "| Topic | Rows | All digits of the source | Fewer |"
    yield "|---|---:|---:|---:|"
    for i, topic in enumerate(TOPICS):
        rows = [row for item in topic.items for row in rows_of(i, item)]
        whole = sum(_is_whole(row) for row in rows)
        yield f"| {topic.title} | {len(rows)} | {whole} | {len(rows) - whole} |"
    yield ""


def _is_whole(row: Check) -> bool:
    """Whether all that the source prints is asked for and there."""
    if isinstance(row.ours, str) or row.within is not None:
        return row.holds
    # Of rounding errors only what is asked for is the same on every machine.
    return (row.required if row.is_noise else row.met) >= row.all_digits


def _part(number: int) -> Iterator[str]:
    topic: Topic = TOPICS[number]
    yield from (f"## {topic.title}", "", topic.source, "")
    yield _line(HEAD)
    yield "|---|---|---|---|---:|---:|---:|---:|"
    for item in topic.items:
        for row in rows_of(number, item):
            yield _line(row.cells())
    yield ""
    yield from (f"- {remark}" for remark in topic.remarks)
    yield ""


def _line(cells: tuple[str, ...]) -> str:
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    DOCUMENT.write_text(rendered(), encoding="utf-8")
    print(f"wrote {DOCUMENT.name}: {sum(len(topic.items) for topic in TOPICS)} items")
