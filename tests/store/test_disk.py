"""The system calls of the store: a short write goes on, one that writes nothing is an error."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.store.disk import Disk


def _open(path: Path) -> int:
    return Disk().open(path, os.O_RDWR | os.O_CREAT)


def _at_most(count: int) -> Callable[[int, memoryview, int], int]:
    real = os.pwrite
    return lambda descriptor, view, offset: real(descriptor, view[:count], offset)


def test_write_when_the_system_writes_less_goes_on_to_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system may write a part of what it was given; all of it must be there."""
    monkeypatch.setattr(os, "pwrite", _at_most(3))
    descriptor = _open(tmp_path / "f")
    Disk().write(descriptor, b"0123456789", 5)
    os.close(descriptor)

    assert (tmp_path / "f").read_bytes() == bytes(5) + b"0123456789"


def test_write_when_nothing_is_written_raises(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A system that writes nothing and reports no error must not be asked for ever."""
    monkeypatch.setattr(os, "pwrite", _at_most(0))
    descriptor = _open(tmp_path / "f")

    with pytest.raises(OSError, match="the system wrote nothing"):
        Disk().write(descriptor, b"x", 0)
    os.close(descriptor)


@pytest.mark.parametrize(("number", "is_told"), [(errno.EOPNOTSUPP, False), (errno.ENOSPC, True)])
def test_preallocate_when_refused_is_told_only_if_it_matters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, is_told: bool
) -> None:
    """A file system that cannot reserve space is no fault; a full one is."""

    def refuse(descriptor: int, offset: int, size: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "posix_fallocate", refuse)
    descriptor = _open(tmp_path / "f")
    outcome = None
    try:
        Disk().preallocate(descriptor, 0, 100)
    except OSError as error:
        outcome = error.errno
    os.close(descriptor)

    assert outcome == (number if is_told else None)


def test_open_gives_no_rights_to_others_and_nothing_to_children(tmp_path: Path) -> None:
    """Readings may be confidential, and a child must not hold the spool's files open."""
    descriptor = _open(tmp_path / "f")
    mode, is_inherited = os.fstat(descriptor).st_mode & 0o007, os.get_inheritable(descriptor)
    os.close(descriptor)

    assert (mode, is_inherited) == (0, False)
