"""
How figures are printed: each line says what it is, beside what, in which unit.
"""

from __future__ import annotations

from collections.abc import Sequence

LABEL_WIDTH, WIDTH = 46, 15


def heading(title: str, *explanation: str) -> None:
    """A section."""
    print(f"\n{title}")
    for line in explanation:
        print(f"  {line}")


def columns(*names: str) -> None:
    """Names of the columns of the rows that follow, and their units."""
    row("", names)


def row(label: str, cells: Sequence[str]) -> None:
    """One line of figures, shown at once."""
    print(f"  {label:<{LABEL_WIDTH}}" + "".join(f"{cell:>{WIDTH}}" for cell in cells), flush=True)


def rate(number: float, seconds: float) -> str:
    """So many a second, to three figures."""
    a_second = number / seconds
    for unit, name in ((1e9, " G"), (1e6, " M"), (1e3, " k")):
        if a_second >= unit:
            return f"{a_second / unit:.3g}{name}/s"
    return f"{a_second:.3g} /s"


def ratio(ours: float, beside: float) -> str:
    """Ours over what stands beside it."""
    return f"{ours / beside:.3g}"


def megabytes(kb: float) -> str:
    """kB of the system as MB."""
    return f"{kb * 1024 / 1e6:.0f} MB"
