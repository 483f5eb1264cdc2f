"""
Applied strain by hand, and its uncertainty against Monte Carlo.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.applied import geometry, strain_shares, strain_u
from pipeline.bench.sheet import Sheet, read_sheet
from tests.bench.benches import SHEET


def sheet_of(text: str = SHEET) -> Sheet:
    """The sheet of a text without mistakes."""
    sheet, mistakes = read_sheet(Path("bench"), text)
    assert mistakes == []
    assert sheet is not None
    return sheet


def test_strain_of_the_layer_by_hand() -> None:
    """
    10 N at 0.25 m on 25 mm × 5 mm of 70 GPa: the reference's 114.2857 µm/m of steel times 3.

    The layer 0.1 mm above feels 1 + 0.2/5 = 1.04 of it.
    """
    at = geometry(sheet_of(), "PC-40-01")

    assert at.strain(np.array([10.0]))[0] == pytest.approx(3 * 114.2857143e-6 * 1.04, rel=1e-9)


def test_the_foil_feels_the_surface_and_all_of_its_strain() -> None:
    """[layer] is the printed gauge's: stand-off and transfer do not touch the reference."""
    text = SHEET.replace("transfer = 1.0", "transfer = 0.9")

    at = geometry(sheet_of(text), "FO-7")

    assert at.strain(np.array([10.0]))[0] == pytest.approx(3 * 114.2857143e-6, rel=1e-9)


def test_a_gauge_may_sit_elsewhere() -> None:
    """[[gauge]] moves one gauge: at 100 mm its arm is 0.2 m and not 0.25."""
    text = SHEET + '\n[[gauge]]\nserial = "PC-40-02"\ngauge_at_m = 0.1\n'
    sheet = sheet_of(text)

    moved, other = geometry(sheet, "PC-40-02"), geometry(sheet, "PC-40-01")

    assert moved.arm == pytest.approx(0.2)
    assert other.arm == pytest.approx(0.25)


@pytest.mark.parametrize("uses_mass", [True, False])
def test_uncertainty_meets_monte_carlo(uses_mass: bool) -> None:
    """JCGM 101: the standard deviation of 400,000 drawn strains, to 1 % (its own scatter 0.1 %)."""
    text = SHEET.replace("gravity_u_m_s2 = 0.0002", "gravity_u_m_s2 = 0.4")
    text = text.replace("thickness_u_m = 0.00001", "thickness_u_m = 0.0001")
    sheet = sheet_of(text)
    beam, layer = sheet.beam.item, sheet.layer.item
    random = np.random.default_rng(20)

    def drawn(value: float, u: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        return value + u * random.standard_normal(400_000)

    load = drawn(1.0, beam.load_u_percent / 100)
    load = load * (drawn(9.8123, 0.4) if uses_mass else 9.8123)
    arm = drawn(0.300, 0.0005) - drawn(0.050, 0.0005)
    h = drawn(beam.thickness_m, beam.thickness_u_m)
    surface = 6 * load * arm / (drawn(70e9, 0.7e9) * drawn(0.025, 2e-5) * h**2)
    felt = surface * (1 + 2 * drawn(layer.standoff_m, layer.standoff_u_m) / h) * drawn(1.0, 0.002)

    found = strain_u(strain_shares(sheet, geometry(sheet, "PC-40-01"), uses_mass=uses_mass))

    assert found == pytest.approx(float(np.std(felt) / np.mean(felt)), rel=0.01)
