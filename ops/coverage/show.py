"""
The table of the coverage runs.
"""

from __future__ import annotations

from collections.abc import Iterable

from ops.coverage.counting import Outcome

HEADING = (
    f"{'scenario':<30}{'gauges':>7}{'coverage %':>22}{'u':>8}{'bias/u':>15}{'RMS':>8}"
    f" | RMS without:{'thermal':>9}{'moisture':>9}{'creep':>8}{'c_k':>8}{'all':>8}"
)


def lines(outcomes: Iterable[Outcome]) -> list[str]:
    """A heading, and a line for each case; strains in µm/m."""
    return [HEADING, *(_line(one) for one in outcomes)]


def _line(one: Outcome) -> str:
    low, high = one.interval
    thermal, moisture, creep, sensitivity, everything = one.without
    share = f"{100 * one.coverage:.1f} [{100 * low:.1f}, {100 * high:.1f}]"
    bias = f"{one.bias / one.u:+.3f} ± {one.bias_u / one.u:.3f}"
    mark = "" if one.is_met else "  missed"
    refused = f"  ({one.refused} benches refused)" if one.refused else ""
    return (
        f"{one.name:<30}{one.gauges:>7}{share:>22}{one.u:>8.2f}{bias:>15}{one.rms:>8.2f}"
        f" |             {thermal:>9.2f}{moisture:>9.2f}{creep:>8.2f}{sensitivity:>8.2f}"
        f"{everything:>8.2f}{refused}{mark}"
    )
