"""
Why a required quality test could not run on a row, in words.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.blocks import TEST_BIT
from pipeline.derive.quality_words import Row, noise_span, seconds

_POINTWISE = ("companion_disagrees",)


def unrun_sentence_of(test: str, row: Row) -> str:
    """Why a required test could not run on the row."""
    name = test.replace("_", " ")
    is_late = bool(int(row.block.tests[row.row]) & TEST_BIT["late"])
    if is_late and test not in _POINTWISE:
        return f"The test {name} could not run: the reading came after newer ones of its channel."
    return f"The test {name} could not run: {_UNRUN[test](row)}."


def _gap(row: Row) -> str:
    return "no reading came before"


def _clock(row: Row) -> str:
    return "this reading or the one before has no sequence number"


def _rate(row: Row) -> str:
    return f"no value came in the {seconds(row.limits.gap_us)} s before, since the last seam"


def _spike(row: Row) -> str:
    return (
        f"no two values came before, each within {seconds(row.limits.gap_us)} s of the next, since "
        "the last seam"
    )


def _flat_line(row: Row) -> str:
    return (
        f"the values do not differ, and do not reach back over {seconds(row.limits.flat_us)} s yet"
    )


def _noise(row: Row) -> str:
    return (
        f"values do not reach back over the {noise_span(row)} s before since the last seam, or "
        f"fewer than {row.limits.noise_count} came in them"
    )


def _companion(row: Row) -> str:
    return (
        "the companion has no usable value, or the climate is not known well enough to say what "
        "it should be"
    )


_UNRUN: dict[str, Callable[[Row], str]] = {
    "gap": _gap,
    "clock": _clock,
    "rate_of_change": _rate,
    "spike": _spike,
    "flat_line": _flat_line,
    "noise": _noise,
    "attenuated": _noise,
    "companion_disagrees": _companion,
}
