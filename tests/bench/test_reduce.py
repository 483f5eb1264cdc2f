"""
Warming and creep taken off bench runs, with what chamber and hold know of them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.reading import read_bench, read_texts
from pipeline.bench.reduce import Known, has_times, reduced
from pipeline.bench.response import gauge_response
from pipeline.bench.runs import Bench
from pipeline.site.models import Creep, Temperature
from tests.bench.benches import SHEET, BenchPlan, bench_rows, write_bench

TERMS = ((0.012, 1800.0), (0.018, 28_800.0))
A = 4.1e-4
QUIET = BenchPlan(noise=0.0, hysteresis=0.0, run_spread=0.0, creep=())


def bench_of(folder: Path, plan: BenchPlan) -> Bench:
    """The checked bench of a plan."""
    sheet = SHEET.replace("reference_temperature_c = 22.0", "reference_temperature_c = 20.0")
    write_bench(folder, plan, sheet)
    return read_bench(folder, read_texts(folder))


@pytest.mark.slow
def test_creep_under_load_is_taken_off(tmp_path: Path) -> None:
    """
    Against the same bench without creep: from over 0.4 % of full scale to under 0.02 %.

    Of 600 s alone, 0.012·(1 - exp(-1/3)) + 0.018·(1 - exp(-1/48)) = 0.38 %.
    What stays is the creep of the ten seconds between a load and its reading.
    """
    crept = bench_of(tmp_path / "a", replace(QUIET, creep=TERMS))
    plain = bench_of(tmp_path / "b", QUIET)
    known = Known(20.0, None, tuple(Creep(fraction=c, time_constant_s=t) for c, t in TERMS))

    raw = gauge_response(crept, "PC-40-01")
    found = reduced(raw, known).runs[0].delta
    true = gauge_response(plain, "PC-40-01").runs[0].delta

    scale = float(np.max(true))
    assert np.max(np.abs(raw.runs[0].delta - true)) > 4e-3 * scale
    assert np.max(np.abs(found - true)) < 2e-4 * scale


@pytest.mark.slow
def test_warming_during_a_run_is_taken_off(tmp_path: Path) -> None:
    """2 K at 4.1e-4 per K are 8.2e-4 of δ at the end of the run; with A(T) nothing is left."""
    bench = bench_of(tmp_path, replace(QUIET, hold_s=0.0, warming_k=2.0, bench_c=20.0))
    known = Known(20.0, Temperature(output=(A,), yields="total", range_c=(0.0, 40.0)))

    raw = gauge_response(bench, "PC-40-01")
    found = reduced(raw, known)

    assert raw.runs[0].delta[-1] == pytest.approx(2.0 * A, rel=1e-4)
    assert found.runs[0].delta[-1] == pytest.approx(0.0, abs=1e-9)


def test_the_factor_of_a_warm_bench_is_brought_to_the_reference(tmp_path: Path) -> None:
    """At 25 °C and c_k = 1e-3 per K the load shows 0.5 % too much, which is taken off."""
    bench = bench_of(tmp_path, BenchPlan(creep=(), bench_c=25.0, noise=0.0, hold_s=0.0))
    sheet = Temperature(output=(A,), yields="total", range_c=(0.0, 40.0), factor_per_k=1e-3)

    raw = gauge_response(bench, "PC-40-01").runs[0].delta
    found = reduced(gauge_response(bench, "PC-40-01"), Known(20.0, sheet)).runs[0].delta

    np.testing.assert_allclose(found, raw / 1.005, rtol=1e-12)


def test_without_times_creep_stays_and_that_can_be_told(tmp_path: Path) -> None:
    """A load history without times has no creep to take off."""
    plan = BenchPlan(hold_s=0.0)
    rows = [{**row, "time_s": ""} for row in bench_rows(plan)]
    write_bench(tmp_path, plan, rows=rows)
    bench = read_bench(tmp_path, read_texts(tmp_path))
    gauge = gauge_response(bench, "PC-40-01")

    found = reduced(gauge, Known(20.0, None, (Creep(fraction=0.01, time_constant_s=100.0),)))

    assert not has_times([gauge])
    np.testing.assert_array_equal(found.runs[0].delta, gauge.runs[0].delta)
