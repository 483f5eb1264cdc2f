"""
Stated intervals hold another gauge of the batch as often as they say.

Each repetition draws three gauges for the chamber and a fourth that was never in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from scipy.stats import t as student

from pipeline.bench.chamber import fit_chamber
from tests.bench.chamber_truth import Lot, drawn, measured, whole
from tests.bench.test_chamber import PLACE

REPETITIONS = 200
LOT = Lot()


@dataclass
class Tally:
    """How often each figure lay in its 95 % interval."""

    held: dict[str, int] = field(default_factory=dict)

    def count(self, name: str, error: float, u: float, freedom: float | None) -> None:
        """One repetition of one figure."""
        assert freedom is not None
        is_held = abs(error) <= float(student.ppf(0.975, freedom)) * u
        self.held[name] = self.held.get(name, 0) + int(is_held)


def powers(coefficients: Sequence[float], x: float) -> float:
    """Σ c_i·xⁱ, i from 1."""
    return sum(c * x ** (i + 1) for i, c in enumerate(coefficients))


@pytest.mark.slow
def test_intervals_hold_another_gauge_in_95_of_100() -> None:
    """A at two temperatures, H, τ and c_k: 95 ± 4 % of 200 batches of three gauges."""
    tally = Tally()
    for seed in range(REPETITIONS):
        random = np.random.default_rng(seed)
        films = [drawn(LOT, random) for _ in range(3)]
        other = drawn(LOT, random)
        found = fit_chamber(measured(LOT, films, whole(), random), **PLACE)
        thermal, damp = found.temperature, found.moisture
        assert damp is not None
        for warm in (25.0, -28.0):
            stated = powers(thermal.output, warm)
            error = other.output * powers(LOT.output, warm) - stated
            u = thermal.output_u * abs(stated)
            tally.count(f"A{warm:+g}", error, u, thermal.degrees_of_freedom)
        error = other.factor_per_k - thermal.factor_per_k
        tally.count("c_k", error, thermal.factor_per_k_u, thermal.degrees_of_freedom)
        stated = powers(damp.output, 0.3)
        error = other.moisture * powers(LOT.moisture, 0.3) - stated
        tally.count("H", error, damp.output_u * stated, damp.degrees_of_freedom)
        error = float(np.log(other.tau / damp.time_constant_s))
        tally.count("tau", error, damp.time_constant_u, damp.degrees_of_freedom)
    share = {name: held / REPETITIONS for name, held in tally.held.items()}

    assert {name: one for name, one in share.items() if not 0.91 <= one <= 0.99} == {}
