"""
A real temperature sweep in which drift and temperature go together: figures of its README.

`nanovolt_thermal_sweep_1mV`, I. Tsemenko, MIT: five channels at 1 mV, of which only vbl5 and vbl6
are in the heated box; ppm of 1 mV per K of `dut_temp` about 23 °C, and per hour.
"""

import csv
import gzip
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.chamber import ChamberFit, fit_chamber
from pipeline.bench.chamber_table import ChamberRuns

SWEEP = Path(__file__).parents[3] / "shared/datasets/nanovolt_thermal_sweep_1mV/sweep_1mV.csv.gz"
PPM = 1e-6

pytestmark = pytest.mark.skipif(not SWEEP.exists(), reason="the data set is not beside the tree")


@pytest.fixture(name="rows", scope="module")
def _rows() -> list[dict[str, str]]:
    """All rows but the first, which is before the source was on (README)."""
    with gzip.open(SWEEP, "rt", encoding="utf-8") as file:
        return list(csv.DictReader(file))[1:]


def sweep(rows: list[dict[str, str]], channel: str) -> ChamberFit:
    """The channel as a gauge of its own in one chamber run."""
    stamps = [datetime.strptime(row["date"], "%d/%m/%Y-%H:%M:%S") for row in rows]
    n = len(rows)
    nothing = np.full(n, "")
    table = ChamberRuns(
        serial=np.full(n, channel),
        batch=np.full(n, "sweep"),
        time=np.array([(stamp - stamps[0]).total_seconds() for stamp in stamps]),
        temperature=np.array([float(row["dut_temp"]) for row in rows]),
        humidity=np.array([float(row["amb_rh"]) for row in rows]) / 100.0,
        relative=np.array([float(row[channel]) for row in rows]),
        strain=np.zeros(n),
        run=nothing,
        segment=np.full(n, "temperature"),
        material=np.full(n, "film"),
    )
    return fit_chamber(
        table,
        reference_temperature_c=23.0,
        reference_humidity_rh=30.0,
        yields="total",
        expansion_1e6_per_k=None,
        for_batch=False,
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("channel", "per_k", "per_h", "without"), [("vbl5", 5.1, 1.0, 2.6), ("vbl6", 0.7, 1.2, -2.2)]
)
def test_slope_and_drift_are_those_of_the_readme(
    rows: list[dict[str, str]], channel: str, per_k: float, per_h: float, without: float
) -> None:
    """To the digit that the README prints, also what the slope would be without a drift."""
    found = sweep(rows, channel).figures
    slope, drift = (found.estimates[0].value, found.estimates[1].value)

    assert slope / PPM == pytest.approx(per_k, abs=0.06)
    assert drift / PPM == pytest.approx(per_h, abs=0.06)
    assert found.gauges[0].slope_without_drift / PPM == pytest.approx(without, abs=0.06)


@pytest.mark.slow
def test_the_uncertainty_shows_that_the_sign_could_flip(rows: list[dict[str, str]]) -> None:
    """vbl6: +0.7 with a drift term, -2.2 without; 95 % of the stated holds 0 and reaches -1.5."""
    found = sweep(rows, "vbl6")
    slope = found.figures.estimates[0]

    assert "A1" in found.figures.not_significant
    assert slope.value - 2.45 * slope.u < -1.5 * PPM  # t of 6 degrees of freedom
    assert slope.degrees_of_freedom == pytest.approx(6.0, abs=1.0)


@pytest.mark.slow
@pytest.mark.parametrize("channel", ["vbl1", "vbl2", "vbl3"])
def test_a_slope_without_a_cause_is_not_believed(rows: list[dict[str, str]], channel: str) -> None:
    """Channels outside the box (README: no thermal cause) have no significant slope."""
    assert "A1" in sweep(rows, channel).figures.not_significant


@pytest.mark.slow
def test_the_channel_in_the_box_is_believed(rows: list[dict[str, str]]) -> None:
    """vbl5 does follow the box: +5.1 ppm/K is more than twice its u, and 15 ppm are left."""
    found = sweep(rows, "vbl5").figures

    assert "A1" not in found.not_significant
    assert found.gauges[0].residual_sd / PPM == pytest.approx(15.0, abs=0.6)


@pytest.mark.slow
def test_humidity_is_not_given_the_effect(rows: list[dict[str, str]]) -> None:
    """Room humidity goes with temperature (-0.65): no H is fitted, and a note says why."""
    found = sweep(rows, "vbl5")

    assert found.moisture is None
    assert any("correlation -0.65" in note for note in found.figures.notes)
