"""
The files of a site folder: which must be there, and their bytes as they stand on disk.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import Mistake

REQUIRED = ("site.toml", "points.csv", "channels.csv", "gauges.csv", "rules.toml")
CALIBRATIONS = "calibrations"
ZEROS = "zeros.jsonl"
OPTIONAL = (ZEROS, "rosettes.csv", "sections.csv")

_WHY = {
    "site.toml": "it names the site, its broker, its structures and its people",
    "points.csv": "it names the measuring points",
    "channels.csv": "it names what the loggers send",
    "gauges.csv": "it says which gauge sits at which point",
    "rules.toml": "without rules nothing would be watched, so the station does not start",
}


def read_files(folder: Path) -> tuple[dict[str, str], list[Mistake]]:
    """
    Every file of the site by its name below `folder`, in order of name, and what is wrong.

    Texts are decoded as UTF-8 and otherwise untouched: a byte order mark and line ends stay, so
    that a hash of them is a hash of the files. A file that cannot be read is left out and told.
    """
    files: dict[str, str] = {}
    mistakes: list[Mistake] = []
    if not folder.is_dir():
        remedy = "Give the folder that holds site.toml, for example config/north-span."
        return files, [Mistake(str(folder), "", "no such folder", "the folder of a site", remedy)]
    for name in sorted(_names(folder)):
        text = _text(folder / name, name, mistakes)
        if text is not None:
            files[name] = text
    if not any(name.startswith(f"{CALIBRATIONS}/") for name in _names(folder)):
        where = str(folder / CALIBRATIONS)
        remedy = "Put at least one calibration there; `spanwarden calibrate` writes them."
        mistakes.append(Mistake(where, "", "no *.toml file", "a file per calibration", remedy))
    return files, mistakes


def _names(folder: Path) -> list[str]:
    calibrations = [
        f"{CALIBRATIONS}/{path.name}"
        for path in (folder / CALIBRATIONS).glob("*.toml")
        if not path.name.startswith(".")
    ]
    optional = [name for name in OPTIONAL if (folder / name).exists()]
    return [*REQUIRED, *calibrations, *optional]


def _text(path: Path, name: str, mistakes: list[Mistake]) -> str | None:
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        why = _WHY.get(name, "it is part of the site")
        remedy = f"Put {name} into the folder; an example site is in config/."
        mistakes.append(Mistake(str(path), "", "no such file", f"a file, since {why}", remedy))
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        found = f"byte 0x{error.object[error.start]:02x}, which is not UTF-8"
        remedy = "Save the file as UTF-8; in a spreadsheet choose CSV UTF-8."
        mistakes.append(Mistake(str(path), f"line {line}", found, "text in UTF-8", remedy))
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror})"
        remedy = "Give the station's user the right to read it."
        mistakes.append(Mistake(str(path), "", found, "a readable file", remedy))
    return None
