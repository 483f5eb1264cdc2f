"""
Adds a zero to `zeros.jsonl` of a site: one line at the end, whole and on the medium, or not at all.

What stands there already is history and keeps every byte.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import ConfigError, StorageError
from pipeline.site.check import find_mistakes
from pipeline.site.check_times import iso
from pipeline.site.files import ZEROS, read_files
from pipeline.site.models import Zero
from pipeline.site.parts import read_parts

_NEW_MODE = 0o644


def append_zero(folder: Path, zero: Zero) -> Path:
    """
    Append one zero to the site in `folder`; durable when this returns. The path of the file.

    Written beside, synced and renamed: killed at any step the file is the old one or the new one.
    Two who append at the same time follow one another, and neither line is lost.

    Raises:
        ConfigError: with this line the site would have mistakes (or has them already); nothing
            was written.
        StorageError: the system refused; the old file stands.
    """
    path = (folder / ZEROS).resolve()  # a link stays a link, what it points to is replaced
    line = zero_line(zero)
    try:
        with _alone(path.parent):
            before = path.read_bytes() if path.exists() else b""
            if before and not before.endswith(b"\n"):
                line = "\n" + line
            _check(folder, before.decode("utf-8", errors="replace") + line)
            _replace(path, before + line.encode())
    except OSError as error:
        raise StorageError(
            f"{path}: the zero is not written: {error.strerror or error}. Make room on the disk, "
            "or give whoever takes zeros the right to write there; then say it again."
        ) from error
    return path


def zero_line(zero: Zero) -> str:
    """A zero as its line of `zeros.jsonl`, with the line's end."""
    content = zero.model_dump()
    for key in ("valid_from", "recorded"):
        content[key] = iso(content[key])
    return json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n"


def _check(folder: Path, text: str) -> None:
    """Refuse a line with which the station would not start."""
    files, mistakes = read_files(folder)
    parts, told = read_parts(folder, {**files, ZEROS: text})
    mistakes += [*told, *find_mistakes(parts, None)]
    if mistakes:
        raise ConfigError(tuple(mistakes))


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One at a time: a lock on the folder, since the file itself is replaced."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _replace(path: Path, content: bytes) -> None:
    # The store's own replace is a floor above.
    mode = path.stat().st_mode & 0o777 if path.exists() else _NEW_MODE
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as file:
            os.fchmod(file.fileno(), mode)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
