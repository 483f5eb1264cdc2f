"""
QARTOD flags and tests beside the reference library's, on its cases.

Its fail limits have no place here, since a test on a value can only suspect, and its first row
passes where ours is not evaluated; what must agree is which rows a test marks.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from pipeline import blocks
from tests.checks.row import Check, Topic
from tests.derive.tilt import has, run

SOURCE = "ioos-qc 3.0.0"

# Flag, meaning, ours.
FLAGS = (
    ("1", "pass", blocks.PASS),
    ("2", "not evaluated", blocks.NOT_EVALUATED),
    ("3", "suspect", blocks.SUSPECT),
    ("4", "fail", blocks.FAIL),
    ("9", "missing", blocks.MISSING),
)

Series = tuple[float | None, ...]
# Test, our limits, values a minute apart (None: missing), the library's flags.
CASES: dict[str, tuple[tuple[dict[str, float], Series, str], ...]] = {
    "gross_range": (
        ({"gross_low": 1.0, "gross_high": 4.0}, (1, 2, 3, 4, 8), "11114"),
        ({"gross_low": -4.0, "gross_high": 4.0}, (-6, -5, -4, 0, 4, 5, 6, None), "43111349"),
    ),
    "spike": (
        ({"spike_height": 2.0}, (3, 4.99, 5, 6, 5, 3, 10, 3, 3), "211113432"),
        ({"spike_height": 1.0}, (0, 0, 0, 3, 0, 0, 0, 6, 0, 0), "2133313432"),
    ),
    "rate_of_change": (
        ({"rate_per_s": 0.05}, (0, 1, 2, 10, 10, 10, 3), "1113113"),
        ({"rate_per_s": 0.1}, (0, 6, 12, 60, 60, None, 70), "1114191"),
    ),
    "flat_line": (
        (
            {"flat_s": 180.0, "flat_tolerance": 0.001},
            (1, 1, 1, 1, 1, 2, 3, 4, 5, 6),
            "1113311111",
        ),
        (
            {"flat_s": 180.0, "flat_tolerance": 0.01},
            (1, 2, 1.0001, 1.0002, 1.0001, 1.0002, 1.0001, 1.0002, 1.0, 2),
            "1111133441",
        ),
    ),
}


def marks(rows: list[int]) -> str:
    """Rows that a test marks as x, others as a point."""
    return "".join("x" if row else "." for row in rows)


def flag_values() -> list[Check]:
    """The primary flags."""
    return [
        Check("primary flags", meaning, "QARTOD manuals", printed, ours)
        for printed, meaning, ours in FLAGS
    ]


def marked(test: str) -> list[Check]:
    """Rows that the test marks, on both cases of the library."""
    rows, name = [], test.replace("_", " ")
    for i, (limits, series, theirs) in enumerate(CASES[test], 1):
        kept = [k for k, value in enumerate(series) if value is not None]
        bits = [int(theirs[k] in "34") for k in kept]
        wanted = [0, *bits[:-1]] if test == "spike" else bits
        fields: dict[str, Any] = dict(limits)
        values = [float(value) for value in series if value is not None]
        results = run(values, [60.0 * k for k in kept], **fields)
        what = f"case {i}: rows marked (flags {theirs})"
        rows.append(Check(name, what, SOURCE, marks(wanted), marks(has(results, test))))
    return rows


QUALITY = Topic(
    "Quality flags (IOOS QARTOD)",
    "IOOS QARTOD manuals for the flag values, from memory and confirmed in the library; flags of "
    "the cases from the library ioos-qc 3.0.0 of the package index.",
    {
        "primary flags": flag_values,
        **{test.replace("_", " "): partial(marked, test) for test in CASES},
    },
    (
        "An x is a row that the library gives a 3 or a 4. Its fail limits have no place here: a "
        "test on a strain can only suspect, because a real overload trips it too.",
        "The library's spike stands on the middle row, ours on the row after, which is the first "
        "that can know: the published marks are written one row later.",
        "A missing value (9) is no reading here and is left out.",
        "What the library passes without having judged (first row, row after a gap, a window not "
        "full) is flag 2 here.",
        "Its attenuated-signal case judges a series by all of it, later rows included, and its "
        "aggregate lets a pass beat a 2: neither is ours, and neither is compared here.",
    ),
)
