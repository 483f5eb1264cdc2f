"""
Bench folders calibrated once for several tests; a plan by its name.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from pipeline.bench.outcome import Outcome, calibrate_folder
from tests.bench.benches import SHEET, BenchPlan, Gauge, write_bench

LEVELLING = 1.2e-3
"""λ of δ = 20·λ·tanh(ε/λ), whose tangent factor is 20·sech²(ε/λ)."""


def plans() -> dict[str, BenchPlan]:
    """Benches that the tests look at."""
    levelling = [
        Gauge(f"PC-40-0{i}", 3e5, 1.0 + 0.01 * i, lambda e: 20 * LEVELLING * np.tanh(e / LEVELLING))
        for i in (-1, 0, 1)
    ]
    straight = [Gauge(f"PC-40-0{i}", 3e5, 1.0 + 0.01 * i, lambda e: 20.0 * e) for i in (1, 2, 3)]
    return {
        "plain": BenchPlan(),
        "quiet": BenchPlan(noise=0.0, hysteresis=0.0, run_spread=0.0, creep=(), hold_s=0.0),
        "straight": BenchPlan(gauges=straight, hysteresis=0.0, creep=()),
        "levelling": BenchPlan(gauges=levelling, hysteresis=0.0, creep=(), hold_s=0.0),
        "both sides": BenchPlan(both_sides=True, hysteresis=0.0, creep=()),
        "one gauge": BenchPlan(gauges=[Gauge("PC-40-09")], foil=False),
        "wrong beam": BenchPlan(foil_factor=2.08 * 1.04),
    }


@cache
def outcome(name: str, sheet: str = SHEET) -> Outcome:
    """What `calibrate_folder` gives for a plan."""
    with TemporaryDirectory() as folder:
        return calibrate_folder(write_bench(Path(folder) / "pc-40", plans()[name], sheet))
