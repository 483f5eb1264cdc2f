"""
Our tests beside the reference library's (PyPI ioos-qc 3.0.0), on its cases and on random series.

Where we differ, and why:
- Its fail thresholds have no place here: a test on the value can only suspect.
- Its first sample passes the rate test; here it is not evaluated. So it is after a gap.
- Its steps are whole seconds, cut off: a step of 1.9 s counts as 1 s, and one below 1 s takes
  the change for the rate; here they are exact to the µs.
- Its spike stands on the middle row; here on the row after, which is the first that can know.
- Its flat line passes what it cannot judge yet; here that is not evaluated. Its window is counted
  in readings of the median distance, ours in time; its range must be below the tolerance.
- Its attenuated signal judges a series by all of it at once, later rows included; here a row is
  judged by what came before.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.derive.tilt import flags, has, run

CASES_FILE = Path(__file__).parents[3] / "shared/reference/quality_flags/qartod_flags.json"

Series = list[float]
series = st.lists(st.integers(-40, 40).map(lambda k: k / 8.0), min_size=3, max_size=40)
"""Eighths: sums and halves of them are exact, so that strict comparisons mean the same."""


@pytest.fixture(scope="module")
def qartod() -> ModuleType:
    """The reference library's tests, where it is installed."""
    module = pytest.importorskip("ioos_qc.qartod", reason="ioos-qc is not installed")
    assert isinstance(module, ModuleType)
    return module


def minutes(values: Series) -> Any:
    """Times of values a minute apart, as the reference library wants them."""
    return np.datetime64("2031-03-01T00:00:00") + 60 * np.arange(len(values)).astype("m8[s]")


def suspects(found: Any) -> list[int]:
    """1 for each row that is suspect."""
    return [int(flag == 3) for flag in np.asarray(found)]


@settings(deadline=None, max_examples=60)
@given(values=series, low=st.integers(-3, 0), width=st.integers(1, 4))
def test_gross_range_agrees_everywhere(
    qartod: ModuleType, values: Series, low: int, width: int
) -> None:
    """Ends included."""
    theirs = qartod.gross_range_test(values, (-1e9, 1e9), (low, low + width))

    ours = run(values, gross_low=float(low), gross_high=float(low + width))

    assert has(ours, "gross_range") == suspects(theirs)


@settings(deadline=None, max_examples=60)
@given(values=series, limit=st.sampled_from([0.125, 1.0, 2.5]))
def test_spike_agrees_one_row_later(qartod: ModuleType, values: Series, limit: float) -> None:
    """The last value of a series has nobody to judge it."""
    theirs = suspects(qartod.spike_test(values, suspect_threshold=limit, fail_threshold=None))

    ours = has(run(values, spike_height=limit), "spike")

    assert ours == [0, *theirs[:-1]]


@settings(deadline=None, max_examples=60)
@given(values=series, limit=st.sampled_from([1 / 64, 1 / 16, 1 / 8]))
def test_rate_of_change_agrees_but_for_the_first_row(
    qartod: ModuleType, values: Series, limit: float
) -> None:
    """Theirs is 1 there, ours 2."""
    theirs = np.asarray(qartod.rate_of_change_test(values, minutes(values), limit))

    ours = run(values, rate_per_s=limit)

    assert has(ours, "rate_of_change") == suspects(theirs)
    assert theirs[0] == 1
    assert flags(ours)[0] == 2


def test_rate_over_fractions_of_a_second_is_where_the_reference_fails(qartod: ModuleType) -> None:
    """1.9 in 1.9 s is 1/s, not 1.9/s; 1 in 0.2 s is 5/s, not a pass."""
    start = np.datetime64("2031-03-01T00:00:00", "ms")
    slow, fast = start + np.array([0, 1900]), start + np.array([0, 200])

    theirs_slow = suspects(qartod.rate_of_change_test([0.0, 1.9], slow, 1.5))
    theirs_fast = suspects(qartod.rate_of_change_test([0.0, 1.0], fast, 1.5))

    assert (theirs_slow, theirs_fast) == ([0, 1], [0, 0])
    assert has(run([0.0, 1.9], [0.0, 1.9], rate_per_s=1.5), "rate_of_change") == [0, 0]
    assert has(run([0.0, 1.0], [0.0, 0.2], rate_per_s=1.5), "rate_of_change") == [0, 1]


@settings(deadline=None, max_examples=60)
@given(values=series, readings=st.integers(2, 6), tolerance=st.sampled_from([1.0, 2.5]))
def test_flat_line_agrees_on_a_regular_series(
    qartod: ModuleType, values: Series, readings: int, tolerance: float
) -> None:
    """Theirs below the tolerance, ours within: one float below theirs is the same. Its windows
    must not be longer than the series, which it reads out of bounds then."""
    if len(values) <= readings + 1:
        return
    seconds = 60 * readings
    found = qartod.flat_line_test(values, minutes(values), seconds, 10**9, tolerance)
    theirs = suspects(found)

    ours = run(values, flat_s=float(seconds), flat_tolerance=float(np.nextafter(tolerance, 0.0)))

    assert has(ours, "flat_line") == theirs


def test_attenuated_signal_agrees_on_a_window(qartod: ModuleType) -> None:
    """Windows of ten minutes that end a reading earlier, on values of growing spread."""
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, np.linspace(0.01, 1.0, 60)).tolist()
    theirs = qartod.attenuated_signal_test(
        values, minutes(values), 0.4, 0.0, test_period=600, min_obs=10
    )

    ours = run(values, noise_s=600.0, noise_low=0.4)

    assert 5 < sum(suspects(theirs)) < 50
    assert has(ours, "attenuated")[11:] == suspects(theirs)[10:-1]


def cases(name: str) -> list[dict[str, Any]]:
    """The cases of one test in the file of published check values."""
    if not CASES_FILE.exists():
        pytest.skip(f"{CASES_FILE.name} is not here")
    content = json.loads(CASES_FILE.read_text())
    return [case for case in content["cases"] if case["test"] == name]


def without_missing(case: dict[str, Any]) -> tuple[Series, list[float], list[int]]:
    """Values, times [s] and flags of a case: what is missing there is no reading here."""
    kept = [i for i, value in enumerate(case["input"]) if value is not None]
    return (
        [case["input"][i] for i in kept],
        [60.0 * i for i in kept],
        [case["flags"][i] for i in kept],
    )


def own_limits(case: dict[str, Any]) -> dict[str, float]:
    """A case's suspect limits in our words."""
    named: dict[str, Callable[[], dict[str, float]]] = {
        "gross_range": lambda: {
            "gross_low": float(case["suspect_span"][0]),
            "gross_high": float(case["suspect_span"][1]),
        },
        "spike": lambda: {"spike_height": float(case["suspect_threshold"])},
        "rate_of_change": lambda: {"rate_per_s": float(case["threshold_per_s"])},
        "flat_line": lambda: {
            "flat_s": float(case["suspect_s"]),
            "flat_tolerance": float(case["tolerance"]),
        },
    }
    return named[case["test"]]()


@pytest.mark.parametrize("name", ["gross_range", "spike", "rate_of_change", "flat_line"])
def test_cases_of_the_reference_file_are_met(name: str) -> None:
    """Its 3 and 4 are our bit (a row later for spike); what it passes or cannot judge has none."""
    found = cases(name)

    assert len(found) == 2
    for case in found:
        values, times, theirs = without_missing(case)
        bits = [int(flag in (3, 4)) for flag in theirs]
        expected = [0, *bits[:-1]] if name == "spike" else bits
        results = run(values, times, **own_limits(case))

        assert has(results, name) == expected
        assert flags(results)[0] in (2, 3)
        assert 4 not in flags(results)
