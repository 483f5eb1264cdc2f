"""
Cantilever strain against beam theory worked elsewhere.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.physics.beam import cantilever_strain, standoff_ratio
from tests.physics.strd import reference


def test_surface_strain_meets_the_worked_case() -> None:
    """Reference case "steel": 10 N at 0.25 m on 25 mm × 5 mm of steel, 13 digits printed."""
    one = reference("strain/cantilever.json")["cases"][0]

    found = cantilever_strain(
        one["load_N"],
        one["distance_load_to_gauge_m"],
        one["width_m"],
        one["thickness_m"],
        one["E_Pa"],
    )

    assert found == pytest.approx(one["surface_strain"], rel=1e-12)


def test_strain_by_hand() -> None:
    """7 N at 0.2 m on 20 mm × 3 mm of 70 GPa: M = 1.4 N·m, W = 3e-8 m³, ε = M/(W·E) = 1/1500."""
    assert cantilever_strain(7.0, 0.2, 0.02, 0.003, 70e9) == pytest.approx(1 / 1500, rel=1e-14)


def test_sign_and_gaps_follow_the_load() -> None:
    """A load the other way compresses; a missing load stays missing."""
    found = cantilever_strain([7.0, -7.0, np.nan], 0.2, 0.02, 0.003, 70e9)

    np.testing.assert_allclose(found, [1 / 1500, -1 / 1500, np.nan])


def test_standoff_on_a_thin_bar_is_seven_per_cent() -> None:
    """0.1 mm above a 3 mm bar: 1 + 0.2/3, the 7 % of the trade."""
    assert standoff_ratio(1e-4, 3e-3) == pytest.approx(1.0666666667, rel=1e-9)
