"""
How the pictures of the reports are drawn: without a display, alike on every run, as SVG text.

Colours of Okabe and Ito, which people who see red and green alike can tell apart; each gauge has
its own marker and dash as well, so that a grey print loses nothing.

Ref: M. Okabe, K. Ito, Color Universal Design, 2008.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
MARKERS = "os^Dvp*"
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)), (0, (8, 2)))
GREY, BAND = "#5a5a5a", "#c9d8e4"
_WIDTH_IN, _HEIGHT_IN = 2.42, 1.54
_STYLE: dict[Any, Any] = {
    "font.size": 6.2,
    "axes.labelsize": 6.2,
    "xtick.labelsize": 5.8,
    "ytick.labelsize": 5.8,
    "legend.fontsize": 5.6,
    "axes.linewidth": 0.5,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.2,
    "ytick.major.size": 2.2,
    "lines.linewidth": 0.9,
    "lines.markersize": 2.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.linewidth": 0.3,
    "grid.color": "#d9d9d9",
    "svg.fonttype": "none",  # text stays text: a quarter of the size, and it can be searched
    "svg.hashsalt": "bench",
    "font.family": ["DejaVu Sans", "sans-serif"],
}


def svg_of(draw: Callable[[Figure], None]) -> str:
    """The SVG element that `draw` makes on an empty figure of the report's size."""
    from matplotlib import rc_context  # half a second of import: only where pictures are made
    from matplotlib.figure import Figure

    with rc_context(_STYLE):
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), layout="constrained")
        draw(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    # Group names would come twice in a page of several pictures.
    return re.sub(r'<g id="[^"]*"', "<g", svg[svg.index("<svg") :])


def look(i: int, *, line: bool = True) -> dict[str, Any]:
    """Colour, marker and dash of gauge number i."""
    return {
        "color": COLOURS[i % len(COLOURS)],
        "marker": MARKERS[i % len(MARKERS)],
        "linestyle": DASHES[i % len(DASHES)] if line else "none",
    }


def axes_of(figure: Figure, x: str, y: str) -> Axes:
    """The one pair of axes of a figure, with quantity and unit on each."""
    axes = figure.add_subplot()
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    return axes


def legend(axes: Axes, **where: Any) -> None:
    """A small legend; what lies behind it stays to be seen, and its words to be read."""
    axes.legend(
        facecolor="white",
        edgecolor="none",
        framealpha=0.75,
        fancybox=False,
        handlelength=2.2,
        borderpad=0.1,
        labelspacing=0.25,
        **where,
    )
