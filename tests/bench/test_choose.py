"""
Cross-validation by whole gauges, and shapes that are refused in words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.calibrate import figures
from pipeline.bench.choose import chosen, intercept, leaves_out, tried
from pipeline.bench.reduce import Known
from pipeline.bench.response import GaugeResponse, gauge_response
from pipeline.bench.runs import Bench, gather, read_rows
from pipeline.bench.shapes import shapes
from pipeline.bench.sheet import read_sheet
from pipeline.blocks import Floats
from pipeline.errors import ConfigError
from tests.bench.benches import SHEET

HEADER = "serial,batch,run,step,direction,load_n,resistance_ohm,temperature_c,humidity_rh"
LOADS = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0)


def bench_of(curves: Sequence[Callable[[Floats], Floats]], loads: Sequence[float] = LOADS) -> Bench:
    """Two like runs of each gauge, loads up only; `curves` give δ at the strain in 1e-3."""
    sheet, _ = read_sheet(Path("b"), SHEET)
    assert sheet is not None
    strain = np.array(loads) * 6 * 0.25 / (70e9 * 0.025 * 0.005**2) * 1.04 * 1e3
    lines = [HEADER]
    for g, curve in enumerate(curves):
        for run in (1, 2):
            for i, delta in enumerate(curve(strain)):
                ohm = 1000.0 * (1.0 + float(delta))
                lines.append(f"G{g},PC-40,{run},{i},up,{loads[i]},{ohm:.12f},22,45")
    rows, mistakes = read_rows(Path("b"), "\n".join(lines))
    assert mistakes == []
    return gather(Path("b"), sheet, rows)


def _scaled(factor: float, curve: Callable[[Floats], Floats], strain: Floats) -> Floats:
    return factor * curve(strain)


def gauges_of(bench: Bench) -> list[GaugeResponse]:
    """Responses of all gauges of a bench."""
    return [gauge_response(bench, serial) for serial in bench.serials]


def test_scores_leave_out_whole_gauges() -> None:
    """
    Lines of factor 19 and 21, left out in turn, are each missed by 2·ε.

    Score by hand: 2e-3·√(mean of strain²), strain in thousandths, both gauges alike.
    """
    gauges = gauges_of(bench_of([lambda e: 19e-3 * e, lambda e: 21e-3 * e]))
    strain = gauges[0].runs[0].strain

    line = tried(gauges, shapes(gauges))[0]

    assert leaves_out(gauges) == "gauge"
    assert line.score == pytest.approx(2.0 * float(np.sqrt(np.mean(strain**2))), rel=1e-6)


def test_one_gauge_is_judged_by_runs() -> None:
    """With one gauge whole runs are left out; like runs miss nothing."""
    gauges = gauges_of(bench_of([lambda e: 20e-3 * e]))

    assert leaves_out(gauges) == "run"
    assert tried(gauges, shapes(gauges))[0].score < 1e-12


@pytest.mark.parametrize(
    ("curve", "kind"),
    [
        (lambda e: 20e-3 * e, "line"),
        (lambda e: 20e-3 * e - 1e-3 * e**2, "quadratic"),
        (lambda e: 20e-3 * e - 3e-3 * e**3, "cubic"),
        (lambda e: 20e-3 * e + 1e-3 * np.sin(6 * e), "monotone"),
    ],
)
def test_the_right_shape_is_chosen_under_spread(
    curve: Callable[[Floats], Floats], kind: str
) -> None:
    """The spread of the gauges, 3 %, is larger than the bend, and does not hide it."""
    spread = [partial(_scaled, factor, curve) for factor in (0.97, 1.0, 1.03)]
    gauges = gauges_of(bench_of(spread))

    taken = chosen(tried(gauges, shapes(gauges)))

    assert taken is not None
    assert taken.shape.kind == kind


def test_the_intercept_is_looked_at_and_no_candidate() -> None:
    """δ = 1e-4 + 20·ε on all but the zero step leaves an intercept; no shape carries one."""
    gauges = gauges_of(bench_of([lambda e: 20e-3 * e, lambda e: 20e-3 * e]))

    found = intercept(gauges)

    assert found.delta == pytest.approx(0.0, abs=1e-12)
    assert {trial.shape.kind for trial in tried(gauges, shapes(gauges))} == {
        "line",
        "quadratic",
        "cubic",
        "monotone",
    }


def test_too_few_levels_refuse_a_shape_in_words() -> None:
    """Two levels carry a line, a quadratic and knots, and no cubic."""
    gauges = gauges_of(bench_of([lambda e: 20e-3 * e] * 2, (0.0, 10.0, 20.0)))

    refused = {t.shape.kind: t.refused for t in tried(gauges, shapes(gauges)) if t.refused}

    assert refused == {"cubic": "too few load levels for a cubic curve"}


@pytest.mark.parametrize(
    "curve",
    [lambda e: 20e-3 * np.sin(8.0 * e), lambda e: 20e-3 * e - 12.0e-3 * e**2],
    ids=["up and down", "turns at the end"],
)
def test_a_curve_that_turns_is_refused(curve: Callable[[Floats], Floats]) -> None:
    """A line through the turn would be monotone, and is not taken: the reason is said."""
    bench = bench_of([partial(_scaled, factor, curve) for factor in (0.99, 1.01)])

    with pytest.raises(ConfigError) as caught:
        figures(bench, Known(22.0), "")

    told = str(caught.value)
    assert "no monotone curve follows" in told
    assert "not strictly monotone" in told or "must rise or fall strictly" in told
    assert "End the runs before δ turns" in told


def test_gauges_elsewhere_on_the_bar_share_the_range() -> None:
    """At 100 mm a gauge feels 0.8 of the strain: the common range ends there, the curve is one."""
    bench = bench_of([lambda e: 20e-3 * e - 1e-3 * e**2] * 2)
    sheet, _ = read_sheet(Path("b"), SHEET + '\n[[gauge]]\nserial = "G1"\ngauge_at_m = 0.1\n')
    assert sheet is not None
    moved = Bench(bench.file, sheet, bench.runs, (), uses_mass=False)
    gauges = gauges_of(moved)

    tried_shapes = shapes(gauges)

    assert tried_shapes[0].hi == pytest.approx(0.8 * gauges[0].strains[-1])
    assert tried_shapes[-1].knots[-1] == tried_shapes[0].hi
