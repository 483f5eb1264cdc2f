"""
Thermal output from a data sheet: moved to another reference by hand, and wrong units refused.
"""

from typing import Any

import numpy as np
import pytest

from pipeline.bench.chamber_sheet import moved, thermal_from_sheet
from pipeline.errors import ConfigError

SHEET: dict[str, Any] = {
    "output_um_m": (-0.92, -0.0212, 1.15e-4),
    "factor": 2.0,
    "expansion_1e6_per_k": 11.0,
    "yields": "mechanical",
    "range_c": (-20.0, 80.0),
    "about_c": 20.0,
    "reference_temperature_c": 20.0,
    "u_um_m_per_k": 0.15,
}


def test_a_sheet_about_the_reference_is_taken_as_it_is() -> None:
    """Coefficients unchanged; u of the slope in δ is factor·u: 2·0.15e-6, by hand."""
    found = thermal_from_sheet(**SHEET)

    assert found.output_um_m == SHEET["output_um_m"]
    assert found.output_u_per_k == pytest.approx(3e-7)
    assert (found.output_factor, found.output_expansion_1e6_per_k) == (2.0, 11.0)


def test_a_polynomial_is_moved_by_hand() -> None:
    """x + 2x² + 3x³ about x = 1: slope 1 + 4 + 9 = 14, then 2 + 9 = 11, then 3."""
    assert moved((1.0, 2.0, 3.0), 1.0) == pytest.approx((14.0, 11.0, 3.0))


def test_a_moved_sheet_gives_the_same_differences() -> None:
    """A sheet about 24 °C and the same one about 20 °C rise alike between any two temperatures."""
    found = thermal_from_sheet(**{**SHEET, "about_c": 24.0})
    t = np.array([-10.0, 60.0])
    stated = sum(c * (t - 24.0) ** (i + 1) for i, c in enumerate(SHEET["output_um_m"]))
    ours = sum(c * (t - 20.0) ** (i + 1) for i, c in enumerate(found.output_um_m))

    assert np.diff(ours) == pytest.approx(np.diff(stated), rel=1e-12)


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        ({"output_um_m": ()}, ("sheet.output_um_m", "an empty list", "Copy the polynomial")),
        ({"output_um_m": (-3200.0, 2.1)}, ("-3200", "Leave out the constant")),
        ({"output_um_m": (-9e-7, -2e-8)}, ("figures up to 9e-07", "a million times smaller")),
        ({"factor": 208.0}, ("sheet.factor", "208", "Write 2.0 for foil")),
        ({"expansion_1e6_per_k": 11e-6}, ("sheet.expansion_1e6_per_k", "Write 12.0 for steel")),
        ({"factor_per_k": 0.01}, ("sheet.factor_per_k", "1e-4 for 1 % per 100 K")),
        ({"range_c": (80.0, -20.0)}, ("sheet.range_c", "lower end first")),
    ],
)
def test_figures_in_another_unit_are_refused(
    change: dict[str, Any], parts: tuple[str, ...]
) -> None:
    """The message names key and remedy."""
    with pytest.raises(ConfigError) as refused:
        thermal_from_sheet(**{**SHEET, **change})

    assert [part for part in ("bench.toml", *parts) if part not in str(refused.value)] == []
