"""
Quality tests that look behind the strain: leakage, and the companion against its own calibration.

Leakage: an insulation of R_i beside a gauge of R shows R·R_i/(R + R_i), a loss of resistance that
looks like compression. What share of its unstrained resistance a gauge may lose is stated for the
point; it must lie beyond what strain and climate can do.

Companion: an unstrained gauge should show A(T) + H(w) + ageing of its calibration. What it shows
beside that goes into the result of its neighbour as strain, with the sign turned.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.block import Block
from pipeline.derive.gauges import Expected, Limits, StrainModel
from pipeline.derive.moisture import settled_u
from pipeline.derive.outcome import Outcome
from pipeline.physics.creep import ageing_progress
from pipeline.physics.environment import polynomial


def check_leakage(block: Block, limits: Limits) -> Outcome:
    """Loss of resistance -δ above `leakage_drop`; observed is -δ. A failed row has none."""
    drop = -block["delta"]
    limit = np.inf if limits.leakage_drop is None else limits.leakage_drop
    return Outcome("leakage", drop > limit, np.zeros(len(block), bool), drop)


def check_companion(block: Block, model: StrainModel, limits: Limits) -> Outcome:
    """
    Companion and calibration further apart than `companion`; observed is the strain [m/m] by
    which the companion stands above what was expected of it.

    Cannot run without a companion's value, or where the climate is not known well enough to say
    what it should be.
    """
    expected = None if model.companion is None else model.companion.expected
    if expected is None:
        nothing, size = np.full(len(block), np.nan), len(block)
        return Outcome("companion_disagrees", np.zeros(size, bool), np.ones(size, bool), nothing)
    apart = model.curve.inverse(block["companion_delta"] - expected_delta(block, expected))
    limit = np.inf if limits.companion is None else limits.companion
    return Outcome("companion_disagrees", np.abs(apart) > limit, np.isnan(apart), apart)


def expected_delta(block: Block, expected: Expected) -> Floats:
    """δ that the calibration of an unstrained gauge gives for the climate of each row, NaN where
    that is not known: no temperature, or a film that has not settled."""
    delta = polynomial(expected.output, block["temperature"] - expected.reference_c)
    film = expected.film
    if film is not None:
        moisture = block["film_moisture"]
        settled = block["film_moisture_u"] <= settled_u(film)
        above = np.where(settled, moisture - film.reference, np.nan)
        delta = delta + polynomial(film.output, above)
    if expected.ageing is not None:
        age = (block.time - expected.ageing.start_us) * 1e-6
        delta = delta + expected.ageing.per_year * ageing_progress(age, expected.ageing.kind)
    return np.asarray(delta)
