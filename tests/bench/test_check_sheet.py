"""
Mistakes in bench.toml, each with its place, what was found and what to do.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.reading import read_bench, read_texts
from pipeline.errors import ConfigError
from tests.bench.benches import SHEET, BenchPlan, write_bench

NO_HOLD = BenchPlan(hold_s=0.0, runs=2)


def mistakes_of(folder: Path, sheet: str) -> str:
    """The text of the error that this sheet gives."""
    write_bench(folder, NO_HOLD, sheet)
    with pytest.raises(ConfigError) as caught:
        read_bench(folder, read_texts(folder))
    return str(caught.value)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("width_m = 0.025", "width_m = 25.0", ('"width_m"', "found 25", "25 mm is 0.025")),
        ("thickness_m = 0.005", "thickness_m = 5.0", ('"thickness_m"', "5 mm is 0.005")),
        ("modulus_gpa = 70.0", "modulus_gpa = 70e9", ('"modulus_gpa"', "aluminium 70")),
        ("standoff_m = 0.0001", "standoff_m = 0.1", ('"standoff_m"', "0.1 mm is 0.0001")),
        ("gauge_at_m = 0.050", "gauge_at_m = 0.350", ("below load_at_m", "from the clamp")),
        ("gravity_m_s2 = 9.8123", "gravity_m_s2 = 98.1", ("9.76 to 9.84",)),
        ("modulus_u_gpa = 0.7", "modulus_u_gpa = 70.0", ("70 of 70", "the same unit")),
        ("width_u_m = 0.00002", "width_u_m = -0.1", ("-0.1", "not below 0")),
        ("full_scale_um_m = 1000.0", "full_scale_um_m = 0.001", ("0.0014 is 1400",)),
        ("saturation_share = 0.8", "saturation_share = 80.0", ("80 % is 0.8",)),
        ("expires = 2028", "expires = 2025", ("after valid_from",)),
        ("factor = 2.08", "factor = 20.8", ("foil gauge", "data sheet")),
        ('id = "cal-pc40-2026"', 'id = "../cal"', ('"../cal"', "dash and underscore")),
        ("[layer]", "[lair]", ('key "lair"', 'Did you mean "layer"', "no table [layer]")),
        ("hysteresis_percent", "hysterese_percent", ("an unknown key", '"hysteresis_percent"')),
        ("width_m = 0.025", "width_m = nan", ("finite number",)),
        ('serial = "FO-7"', 'serial = "FO-8"', ('"FO-8"', "a serial of runs.csv", '"FO-7"')),
    ],
)
def test_a_wrong_sheet_is_told_with_its_remedy(
    tmp_path: Path, before: str, after: str, words: tuple[str, ...]
) -> None:
    """One change in a sound sheet: its place, what was found and the remedy are in the message."""
    assert before in SHEET

    told = mistakes_of(tmp_path / "bench", SHEET.replace(before, after, 1))

    assert "bench.toml" in told
    for word in words:
        assert word in told


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    """Two wrong lengths and a wrong gravity are three mistakes."""
    sheet = SHEET.replace("width_m = 0.025", "width_m = 25.0")
    sheet = sheet.replace("thickness_m = 0.005", "thickness_m = 5.0")

    told = mistakes_of(tmp_path / "bench", sheet.replace("9.8123", "98.1", 1))

    assert told.startswith("3 mistakes")


def test_a_gauge_left_out_without_a_reason_is_refused(tmp_path: Path) -> None:
    """Whoever reads the report must be able to judge it."""
    sheet = SHEET + '\n[[left_out]]\nserial = "PC-40-02"\nreason = " "\n'

    assert "a reason" in mistakes_of(tmp_path / "bench", sheet)


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    """Both files of a bench are needed, and why is said."""
    with pytest.raises(ConfigError) as caught:
        read_texts(tmp_path)

    told = str(caught.value)
    assert "bench.toml" in told
    assert "on which beam" in told
    assert "runs.csv" in told


def test_a_file_that_is_not_utf8_is_named_with_its_line(tmp_path: Path) -> None:
    """A spreadsheet's Latin-1 is told at its line, with what to choose instead."""
    write_bench(tmp_path, NO_HOLD)
    (tmp_path / "runs.csv").write_bytes(b"serial\n\xb5\n")

    with pytest.raises(ConfigError) as caught:
        read_texts(tmp_path)

    assert "line 2" in str(caught.value)
    assert "CSV UTF-8" in str(caught.value)
