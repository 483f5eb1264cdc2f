"""
Secrets from the environment or a file that it names, and what is said when there is none.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.site.secrets import secret

_REMEDY = "Set ALDER, or set ALDER_FILE to the path of a file that holds it."


def test_variable_is_the_secret_when_it_is_set(tmp_path: Path) -> None:
    """The variable itself comes before the file, and blanks in it are part of the secret."""
    file = tmp_path / "secret"
    file.write_text("from file")

    assert secret("ALDER", {"ALDER": " x ", "ALDER_FILE": str(file)}) == " x "


@pytest.mark.parametrize(
    ("content", "expected"),
    [("word", "word"), ("word\n", "word"), ("word\r\n", "word"), (" word \n\n", " word \n")],
)
def test_file_is_the_secret_without_its_last_line_end(
    content: str, expected: str, tmp_path: Path
) -> None:
    """Editors add one line end; all else in the file belongs to the secret."""
    file = tmp_path / "secret"
    file.write_bytes(content.encode())

    assert secret("ALDER", {"ALDER_FILE": str(file)}) == expected


def test_nothing_set_is_told_with_its_remedy() -> None:
    """Neither variable nor file: the message names both ways."""
    with pytest.raises(ConfigError) as raised:
        secret("ALDER", {"OTHER": "x"})

    assert str(raised.value.mistakes[0]) == (
        "environment, variable ALDER: found neither ALDER nor ALDER_FILE set; expected a secret. "
        + _REMEDY
    )


def test_empty_variable_is_refused_when_it_hides_a_file(tmp_path: Path) -> None:
    """An empty variable is a slip of whoever set it, never an empty password."""
    with pytest.raises(ConfigError) as raised:
        secret("ALDER", {"ALDER": ""})

    assert "found an empty variable; expected a secret. " + _REMEDY in str(raised.value)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (None, "which cannot be read (No such file or directory)"),
        (b"\n", "which is empty"),
        (b"\xff\xfe", "which is not UTF-8"),
    ],
)
def test_unusable_file_is_told_with_its_path(
    content: bytes | None, why: str, tmp_path: Path
) -> None:
    """A file that is missing, empty or no text is told with path and reason, not its content."""
    file = tmp_path / "secret"
    if content is not None:
        file.write_bytes(content)

    with pytest.raises(ConfigError) as raised:
        secret("ALDER", {"ALDER_FILE": str(file)})

    assert f'found ALDER_FILE naming "{file}", {why}; expected a secret. ' in str(raised.value)
