"""
Single figures of a gauge, on small runs whose answers are worked by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.findings import holds, linearity, loop, zero_return
from pipeline.bench.precision import level_precision
from pipeline.bench.response import GaugeResponse, gauge_response
from pipeline.bench.runs import gather, read_rows
from pipeline.bench.sheet import read_sheet
from tests.bench.benches import SHEET

HEADER = "serial,batch,run,step,direction,load_n,resistance_ohm,temperature_c,humidity_rh,time_s"
# Load, direction and δ in thousandths of two runs; R is 1000 Ω.
Steps = Sequence[tuple[float, str, float]]
FIRST: Steps = [
    (0, "up", 0.0),
    (10, "up", 4.0),
    (20, "up", 8.0),
    (20, "hold", 8.2),
    (20, "hold", 8.4),
    (10, "down", 4.3),
    (0, "down", 0.1),
]
SECOND: Steps = [
    (0, "up", 0.0),
    (10, "up", 4.2),
    (20, "up", 8.0),
    (10, "down", 4.3),
    (0, "down", -0.2),
]


def gauge_of(*runs: Steps) -> GaugeResponse:
    """The response of one gauge whose runs have these steps, 30 s apart."""
    lines = [HEADER]
    for label, steps in enumerate(runs, start=1):
        for i, (load, direction, delta) in enumerate(steps):
            ohm = 1000.0 * (1.0 + delta * 1e-3)
            lines.append(f"G,PC-40,{label},{i},{direction},{load},{ohm:.9f},22,45,{30 * i}")
    sheet, _ = read_sheet(Path("b"), SHEET)
    assert sheet is not None
    rows, mistakes = read_rows(Path("b"), "\n".join(lines))
    assert mistakes == []
    return gauge_response(gather(Path("b"), sheet, rows), "G")


def test_levels_and_their_means() -> None:
    """Three loads are three levels; a hold does not count: (4.0 + 4.3)/2 and 4.25 at 10 N."""
    gauge = gauge_of(FIRST, SECOND)

    np.testing.assert_allclose(gauge.loads, [0.0, 10.0, 20.0])
    np.testing.assert_allclose(gauge.means()[1:] * 1e3, [(4.15 + 4.25) / 2, 8.0], rtol=1e-6)


def test_loads_that_differ_a_little_are_one_level() -> None:
    """9.9 N and 10 N of 20 are one step of the plan, read by a load cell."""
    gauge = gauge_of(FIRST, [(load * 0.99, way, d) for load, way, d in SECOND])

    assert len(gauge.loads) == 3


def test_linearity_by_hand() -> None:
    """Means 4.2 and 8.0 at ε and 2ε: k = 20.2/5 = 4.04, distances 0.16 and 0.08: 0.16e-3."""
    assert linearity(gauge_of(FIRST, SECOND)) == pytest.approx(0.16e-3, rel=1e-5)


def test_the_loop_is_told_at_each_level_without_zero() -> None:
    """Loading 4.0 and unloading 4.3 at 10 N; the end at zero is no part of the loop."""
    gauge = gauge_of(FIRST)

    up, down = loop(gauge, gauge.runs[0])

    assert (down - up)[1] == pytest.approx(0.3e-3, rel=1e-6)
    assert np.isnan(down[[0, 2]]).all()


def test_zero_return_keeps_its_sign() -> None:
    """+0.1 and -0.2 thousandths; a run that ends under load has none."""
    gauge = gauge_of(FIRST, SECOND, SECOND[:-1])

    values = [zero_return(run) for run in gauge.runs]

    assert values[0] == pytest.approx(0.1e-3, rel=1e-6)
    assert values[1] == pytest.approx(-0.2e-3, rel=1e-6)
    assert np.isnan(values[2])


def test_creep_in_the_hold_counts_from_the_loaded_reading_before() -> None:
    """From 8.0 to 8.4 in 60 s is +5 %."""
    (held,) = holds(gauge_of(FIRST))

    assert held.percent == pytest.approx(5.0, rel=1e-6)
    np.testing.assert_allclose(held.seconds, [0.0, 30.0, 60.0])


def test_a_run_without_a_hold_has_no_creep() -> None:
    """Nothing is told from nothing."""
    assert holds(gauge_of(SECOND)) == []


def test_delta_of_a_bridge_is_exact() -> None:
    """e = 0.005 in a balanced bridge: x = 0.505/0.495, δ = 0.020202…; 4e would be 1 % low."""
    lines = [HEADER.replace("resistance_ohm", "ratio")]
    lines += ["G,PC-40,1,0,up,0,0,22,45,0", "G,PC-40,1,1,up,10,0.005,22,45,30"]
    sheet, _ = read_sheet(Path("b"), SHEET)
    rows, _ = read_rows(Path("b"), "\n".join(lines))
    assert sheet is not None

    gauge = gauge_response(gather(Path("b"), sheet, rows), "G")

    assert gauge.runs[0].delta[1] == pytest.approx(0.505 / 0.495 - 1.0, rel=1e-12)


def test_precision_by_level_by_hand() -> None:
    """
    δ of loading at 10 N: 4.0 and 4.2 of one gauge, 4.4 and 4.4 of another, in units of ε.

    s_r² = 0.02/2 = 0.01, MS_between = 2·(0.15² + 0.15²) = 0.09, s_L² = 0.04 (ISO 5725-2, 7.4).
    """
    one = gauge_of(FIRST, SECOND)
    other = gauge_of(*[[(load, way, d * 1.1) for load, way, d in FIRST]] * 2)
    strain = one.strains[1] * 1e3

    level = level_precision([one, other])[0]

    assert level.strain_um_m == pytest.approx(one.strains[1] * 1e6)
    assert level.precision.s_r * strain == pytest.approx(0.1, rel=1e-4)
    assert level.precision.s_l * strain == pytest.approx(0.2, rel=1e-4)
    assert level.precision.s_R * strain == pytest.approx(np.sqrt(0.05), rel=1e-4)
