"""
Imports only point down the floors of DEVELOPERS.md.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "pipeline"

FLOOR = {
    "errors": 0,
    "__init__": 0,
    "blocks": 1,
    "physics": 1,
    "site": 2,
    "derive": 3,
    "alarms": 3,
    "bench": 3,
    "store": 4,
    "ingest": 5,
    "notify": 5,
    "review": 5,
    "station": 6,
    "web": 6,
    "cli": 7,
    "__main__": 8,
}
# The simulator stands beside: it may use only the errors, and only the command may use it.
SIDE = "simulate"
# Rooms on one floor that must not know each other (design: "must not know").
STRANGERS = {
    ("blocks", "physics"),
    ("physics", "blocks"),
    ("derive", "alarms"),
    ("alarms", "derive"),
    ("bench", "alarms"),
    ("ingest", "alarms"),
    ("ingest", "notify"),
    ("notify", "ingest"),
    ("store", "alarms"),
    ("physics", "site"),
    ("web", "physics"),
}


def imports_of(path: Path) -> Iterator[tuple[int, str]]:
    """Line and room of every import of ours in a file, also inside functions."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} is a relative import"
            module = node.module or ""
            names = (
                [f"pipeline.{alias.name}" for alias in node.names]
                if module == "pipeline"
                else [module]
            )
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "pipeline":
                room = parts[1] if len(parts) > 1 else "__init__"
                yield node.lineno, "__init__" if room.startswith("__version") else room


def wrong_imports(root: Path) -> list[str]:
    """Every import below `root` that does not point down, as `file:line: from → to`."""
    wrong = []
    for path in sorted(root.rglob("*.py")):
        inside = path.relative_to(root).parts
        room = inside[0].removesuffix(".py")
        for line, target in imports_of(path):
            if target == room:
                continue
            if room == SIDE:
                allowed = target in ("errors", "__init__")
            elif target == SIDE:
                allowed = room == "cli"
            else:
                allowed = FLOOR[target] <= FLOOR[room] and (room, target) not in STRANGERS
            if not allowed:
                wrong.append(f"{'/'.join(inside)}:{line}: {room} → {target}")
    return wrong


def test_imports_point_down() -> None:
    """No room imports from a floor above it, nor a room that it must not know."""
    assert wrong_imports(PACKAGE) == []


@pytest.mark.parametrize(
    ("room", "line"),
    [
        ("physics", "from pipeline.site.models import Point"),
        ("derive", "def late():\n    import pipeline.store.archive"),
        ("store", "from pipeline import station"),
        ("simulate", "from pipeline.physics import bridge"),
        ("station", "from pipeline.simulate import cli"),
        ("ingest", "from pipeline.alarms.engine import evaluate"),
    ],
)
def test_an_import_that_points_up_is_named(tmp_path: Path, room: str, line: str) -> None:
    """The walk finds a wrong import wherever it stands, and names file and line."""
    (tmp_path / room).mkdir()
    (tmp_path / room / "wrong.py").write_text(line + "\n")

    found = wrong_imports(tmp_path)

    assert len(found) == 1
    assert found[0].startswith(f"{room}/wrong.py:")
