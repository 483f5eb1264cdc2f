"""
`spanwarden calibrate`: from a folder of bench runs to a calibration file and its report.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from pipeline import __version__
from pipeline.bench.facts import facts
from pipeline.bench.outcome import Outcome, calibrate_folder
from pipeline.bench.report import report_html, report_pdf
from pipeline.cli.options import cautions, table
from pipeline.errors import ConfigError, Mistake
from pipeline.notify.cautions import CAUTIONS
from pipeline.store.durable import replace_durably, storage_error

EXAMPLE = """example:
  spanwarden calibrate bench/pc-40
  spanwarden calibrate bench/pc-40 --out config/quillmere/calibrations --no-pdf

FOLDER holds bench.toml (beam, layer, author, limits) and runs.csv, and where they were run
chamber.csv, hold.csv and rest.csv. Written are ID.toml, ID.html and ID.pdf.
exit code 0: every gauge that was judged is fit; 1: one is not, or foil and beam theory disagree
(the files are written and say so); 2: mistakes in the folder; 3: a library is missing."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The bench's folder, where to write, and what to leave out."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="holds bench.toml and runs.csv")
    parser.add_argument("--out", metavar="DIR", type=Path, help="where to write (default: FOLDER)")
    parser.add_argument("--replace", action="store_true", help="write over another calibration")
    parser.add_argument("--no-pdf", action="store_true", help="no PDF; the HTML is complete")


def run(options: argparse.Namespace) -> int:
    """Calibrate, write the files, print the key figures."""
    outcome = calibrate_folder(options.folder)
    out = options.out or options.folder
    name = outcome.calibration.id
    text = outcome.text.encode("utf-8")
    _refuse_other(out / f"{name}.toml", text, replace=options.replace)
    # The page first: a calibration must not stand there without the report that explains it.
    page = report_html(outcome, CAUTIONS, __version__)
    _write(out / f"{name}.html", page.encode("utf-8"))
    _write(out / f"{name}.toml", text)
    print(_summary(outcome))
    written = [f"{name}.toml", f"{name}.html"]
    if not options.no_pdf:
        _write(out / f"{name}.pdf", report_pdf(page))
        written.append(f"{name}.pdf")
    print(f"\nWritten to {out}: {', '.join(written)}")
    return 0 if _is_good(outcome) else 1


def _is_good(outcome: Outcome) -> bool:
    found = outcome.figures
    agrees = found.foil is None or found.foil.agrees
    return agrees and all(one.is_fit is not False for one in found.verdicts)


def _summary(outcome: Outcome) -> str:
    shown = facts(outcome.figures)
    of = outcome.calibration.batch or outcome.calibration.serial
    lines = [f"Calibration {outcome.calibration.id} of {of}", ""]
    lines.append(table(["figure", "value", ""], shown.key))
    verdicts = [(row[0], row[2], row[-1]) for row in shown.verdicts]
    lines += ["", table(["gauge", "factor at FS", "verdict"], verdicts, right=[1])]
    lines += [f"  {reason}" for reason in shown.reasons]
    lines += ["", *(f"- {remark}" for remark in outcome.remarks), "", cautions()]
    return "\n".join(lines)


def _refuse_other(path: Path, text: bytes, *, replace: bool) -> None:
    if replace or not path.exists() or path.read_bytes() == text:
        return
    remedy = (
        "A calibration that was used must stay: give this one another id, or a later recorded in "
        "another folder; --replace writes over a file that was never used."
    )
    found, expected = "another calibration of this id", "no such file"
    raise ConfigError((Mistake(str(path), "", found, expected, remedy),))


def _write(path: Path, payload: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise storage_error(f"{path.parent}: cannot be made", error) from error
    replace_durably(path, payload)
