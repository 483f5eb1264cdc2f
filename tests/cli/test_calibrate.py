"""
The command: files written, exit codes, nothing overwritten unasked, and soon enough.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline.cli import main
from tests.bench.benches import SHEET, BenchPlan, write_bench

pytest.importorskip("matplotlib", reason="the extra `report` is not installed")
pytest.importorskip("jinja2", reason="the extra `report` is not installed")
pytestmark = pytest.mark.slow
NAME = "cal-pc40-2026"


def test_calibration_and_report_are_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 0, three files, key figures and cautions on the screen."""
    pytest.importorskip("weasyprint", reason="the extra `report` is not installed")
    folder = write_bench(tmp_path / "bench", BenchPlan())

    code = main(["calibrate", str(folder), "--out", str(tmp_path / "out")])

    shown = capsys.readouterr().out
    assert code == 0
    assert sorted(path.suffix for path in (tmp_path / "out").iterdir()) == [
        ".html",
        ".pdf",
        ".toml",
    ]
    assert tomllib.loads((tmp_path / "out" / f"{NAME}.toml").read_text("utf-8"))["id"] == NAME
    assert "Factor, secant at FS" in shown
    assert "No alarm does not mean safe." in shown


def test_an_unfit_gauge_is_exit_code_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The files are there all the same, and say so."""
    sheet = SHEET.replace("linearity_percent = 12.0", "linearity_percent = 0.5")
    folder = write_bench(tmp_path, BenchPlan(), sheet)

    code = main(["calibrate", str(folder), "--no-pdf"])

    assert code == 1
    assert "NOT FIT" in capsys.readouterr().out
    assert (folder / f"{NAME}.html").exists()


def test_mistakes_are_exit_code_2_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong width stops it before anything is made."""
    folder = write_bench(tmp_path, BenchPlan(), SHEET.replace("0.025", "25.0", 1))

    code = main(["calibrate", str(folder)])

    assert code == 2
    assert "25 mm is 0.025" in capsys.readouterr().err
    assert sorted(path.name for path in folder.iterdir()) == ["bench.toml", "runs.csv"]


def test_another_calibration_of_that_name_is_not_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same bench again is no matter; another one needs --replace."""
    write_bench(tmp_path, BenchPlan())
    assert main(["calibrate", str(tmp_path), "--no-pdf"]) == 0
    assert main(["calibrate", str(tmp_path), "--no-pdf"]) == 0
    before = (tmp_path / f"{NAME}.toml").read_bytes()
    write_bench(tmp_path, BenchPlan(seed=8))

    refused = main(["calibrate", str(tmp_path), "--no-pdf"])

    assert refused == 2
    assert "--replace" in capsys.readouterr().err
    assert (tmp_path / f"{NAME}.toml").read_bytes() == before
    assert main(["calibrate", str(tmp_path), "--no-pdf", "--replace"]) == 0
    assert (tmp_path / f"{NAME}.toml").read_bytes() != before


def test_three_gauges_by_three_runs_take_less_than_5_s(tmp_path: Path) -> None:
    """
    The whole command in a process of its own, imports and PDF included.

    Processor time, so that what else runs on the machine does not decide.
    """
    pytest.importorskip("weasyprint", reason="the extra `report` is not installed")
    folder = write_bench(tmp_path, BenchPlan())
    before = resource.getrusage(resource.RUSAGE_CHILDREN)

    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "calibrate", str(folder)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=Path(__file__).parents[2],
    )

    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert done.returncode == 0, done.stderr
    assert spent < 5.0
