"""
Files stay readable in one sitting: 400 lines a file, 40 lines a function beside its docstring.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LONGEST_FILE = 400
LONGEST_FUNCTION = 40


def sources() -> list[Path]:
    """All our Python files."""
    return sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "tests").rglob("*.py")])


def long_functions(text: str) -> Iterator[tuple[str, int]]:
    """Name and lines of each function that is too long, decorators and docstring not counted."""
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        lines = (node.end_lineno or 0) - node.lineno + 1
        first = node.body[0]
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            lines -= (first.end_lineno or 0) - first.lineno + 1
        if lines > LONGEST_FUNCTION:
            yield node.name, lines


def test_no_file_is_too_long() -> None:
    """No file of ours has more than 400 lines."""
    counts = {str(path.relative_to(ROOT)): len(path.read_text().splitlines()) for path in sources()}

    assert {name: n for name, n in counts.items() if n > LONGEST_FILE} == {}


def test_no_function_is_too_long() -> None:
    """No function of ours has more than 40 lines beside its docstring."""
    found = [
        f"{path.relative_to(ROOT)}: {name} has {lines} lines"
        for path in sources()
        for name, lines in long_functions(path.read_text())
    ]

    assert found == []


@pytest.mark.parametrize(("lines", "is_long"), [(39, False), (40, True)])
def test_the_docstring_does_not_count(lines: int, is_long: bool) -> None:
    """A function of 40 lines with its head passes however long its docstring is; 41 do not."""
    text = 'def f():\n    """One.\n\n    Two.\n    """\n' + "    x = 1\n" * lines

    assert bool(list(long_functions(text))) == is_long
