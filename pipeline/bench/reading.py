"""
From the folder of a bench to its runs, or to the list of every mistake in them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from pipeline.bench.check_columns import check_columns
from pipeline.bench.check_response import check_responses
from pipeline.bench.check_sheet import check_sheet, unknown_serials
from pipeline.bench.check_steps import check_steps
from pipeline.bench.runs import RUNS, Bench, gather, gather_mistakes, read_rows
from pipeline.bench.sheet import BENCH, read_sheet
from pipeline.errors import ConfigError, Mistake

FURTHER = ("chamber.csv", "hold.csv", "rest.csv")
"""Other tables of a folder, which make the climate, creep and ageing of the calibration."""
_WHY = {
    BENCH: "it says on which beam the gauges were loaded, and who answers for it",
    RUNS: "it holds the readings of the runs",
}


def read_texts(folder: Path) -> dict[str, str]:
    """
    Texts of the bench's files by name, those of `FURTHER` only where they are.

    Raises:
        ConfigError: no folder, or a file that is missing, cannot be read, or is not UTF-8.
    """
    if not folder.is_dir():
        remedy = f"Give the folder that holds {BENCH} and {RUNS}."
        raise ConfigError((Mistake(str(folder), "", "no such folder", "a bench folder", remedy),))
    texts: dict[str, str] = {}
    mistakes: list[Mistake] = []
    for name in (BENCH, RUNS, *FURTHER):
        path = folder / name
        if name in FURTHER and not path.exists():
            continue
        try:
            texts[name] = path.read_bytes().decode("utf-8")
        except FileNotFoundError:
            remedy = f"Put {name} into the folder."
            expected = f"a file, since {_WHY[name]}"
            mistakes.append(Mistake(str(path), "", "no such file", expected, remedy))
        except UnicodeDecodeError as error:
            found = f"byte 0x{error.object[error.start]:02x}, which is not UTF-8"
            line = error.object[: error.start].count(b"\n") + 1
            remedy = "Save the file as UTF-8; in a spreadsheet choose CSV UTF-8."
            mistakes.append(Mistake(str(path), f"line {line}", found, "text in UTF-8", remedy))
        except OSError as error:
            found = f"a file that cannot be read ({error.strerror})"
            remedy = "Give yourself the right to read it."
            mistakes.append(Mistake(str(path), "", found, "a readable file", remedy))
    if mistakes:
        raise ConfigError(tuple(mistakes))
    return texts


def read_bench(folder: Path, texts: Mapping[str, str]) -> Bench:
    """
    The runs of a bench, checked.

    Mistakes come in layers: form, then sequence and units, then what the gauges did; a layer is
    looked at only when those before it are sound, since it would only echo them.

    Args:
        folder: as messages shall show it.
        texts: of `read_texts`.

    Raises:
        ConfigError: every mistake of the first layer that has any.
    """
    sheet, mistakes = read_sheet(folder, texts[BENCH])
    rows, told = read_rows(folder, texts[RUNS])
    mistakes = [*mistakes, *told]
    if sheet is None or mistakes:
        raise ConfigError((*mistakes, *(check_sheet(sheet) if sheet is not None else ())))
    _refuse([*check_sheet(sheet), *unknown_serials(sheet, {row.item.serial for row in rows})])
    bench = gather(folder, sheet, rows)
    _refuse([*gather_mistakes(bench, rows), *check_columns(bench), *check_steps(bench)])
    _refuse(list(check_responses(bench)))
    return bench


def source_sha256(texts: Mapping[str, str]) -> str:
    """SHA-256 over names and texts of all files read, in order of name."""
    digest = hashlib.sha256()
    for name in sorted(texts):
        payload = texts[name].encode("utf-8")
        digest.update(f"{name}\0{len(payload)}\0".encode())
        digest.update(payload)
    return digest.hexdigest()


def _refuse(mistakes: list[Mistake]) -> None:
    if mistakes:
        raise ConfigError(tuple(mistakes))
