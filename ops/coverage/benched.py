"""
Calibrations as `spanwarden calibrate` makes them, each from a simulated bench of its own.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from pipeline.bench.outcome import calibrate_folder
from pipeline.errors import ConfigError
from pipeline.simulate.bench import simulate_bench
from pipeline.simulate.scenario import Scenario
from pipeline.site.models import Calibration

GAUGES, RUNS = 3, 3


def calibration_of(scenario: Scenario, batch: str, seed: int) -> Calibration | None:
    """
    The calibration of a batch from three gauges by three runs, chamber, hold and rest.

    Args:
        seed: of the bench: its gauges, beam, sensors and noise.

    Returns:
        What the files of the bench give; None where `calibrate` refuses them.
    """
    with tempfile.TemporaryDirectory() as folder:
        simulate_bench(scenario, batch, GAUGES, RUNS, seed=seed, out=Path(folder))
        try:
            return calibrate_folder(Path(folder)).calibration
        except ConfigError:
            return None
