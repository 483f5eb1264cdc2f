"""
From a bench folder to the curve: the truth that was put in comes out, within what is stated.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.calibrate import site_curve
from tests.bench.benches import SHEET
from tests.bench.calibrated import LEVELLING, outcome

MEAN_FACTOR = (1.012 + 0.985 + 1.003) / 3
pytestmark = pytest.mark.slow


def test_a_quiet_bench_gives_the_truth_back() -> None:
    """δ = F̄·(20.8·ε - 900·ε²) without noise: a quadratic with these coefficients, to 1e-5."""
    found = outcome("quiet").figures

    assert found.trial.shape.kind == "quadratic"
    np.testing.assert_allclose(
        found.fitted.figures, [20.8 * MEAN_FACTOR, -900.0 * MEAN_FACTOR], rtol=1e-5
    )


def test_the_spread_between_gauges_is_the_one_put_in() -> None:
    """Factors 1.012, 0.985 and 1.003 of the batch's: their standard deviation over their mean."""
    curve = site_curve(outcome("quiet").figures)

    spread = np.std([1.012, 0.985, 1.003], ddof=1) / MEAN_FACTOR
    assert curve.between_gauges == pytest.approx(spread, rel=1e-4)
    assert curve.gauges == 3


def test_the_range_is_what_the_bench_reached() -> None:
    """3 kg on this bar is 1049.6 µm/m (multiplied out by hand); compression was never tried."""
    curve = site_curve(outcome("plain").figures)

    assert curve.range_um_m == pytest.approx((0.0, 1049.636), abs=1e-3)
    assert site_curve(outcome("both sides").figures).range_um_m[0] == pytest.approx(-1049.636)


def test_a_noisy_bench_stays_within_what_it_states() -> None:
    """The batch's own factor at full scale lies within U95 of the calibration."""
    found = outcome("plain").figures
    at = np.array([1e-3])
    true = MEAN_FACTOR * (20.8 * 1e-3 - 900.0 * 1e-6)

    missed = abs(float(found.fitted.curve.delta(at)[0]) - true)

    assert missed < 2.0 * float(found.fitted.half_u95(at)[0])
    assert found.factor == pytest.approx(true / 1e-3, rel=0.01)


@pytest.mark.parametrize(
    ("name", "kind"),
    [("straight", "line"), ("quiet", "quadratic"), ("both sides", "quadratic")],
)
def test_the_shape_is_the_one_put_in(name: str, kind: str) -> None:
    """Left-out gauges tell a straight gauge from a bent one; the simplest that serves is taken."""
    assert outcome(name).figures.trial.shape.kind == kind


def test_a_levelling_gauge_gets_a_bent_curve_that_misses_little() -> None:
    """δ = 24e-3·tanh(ε/1.2e-3): the curve stays within 0.3 % of full scale of the truth."""
    found = outcome("levelling").figures
    strain = np.linspace(0.0, 1e-3, 50)
    true = 20.0 * LEVELLING * np.tanh(strain / LEVELLING)

    missed = np.max(np.abs(found.fitted.curve.delta(strain) - true))

    assert found.trial.shape.kind in ("cubic", "monotone")
    assert missed < 0.003 * float(true[-1])


def test_reading_u_is_the_scatter_put_in() -> None:
    """Noise of 6e-6 in each reading, and in the run's zero: 6e-6 to 9e-6, never below the meter."""
    quiet = outcome("straight").figures.reading_u

    assert 5e-6 < quiet < 9e-6
    assert outcome("quiet").figures.reading_u == 2e-6


def test_one_gauge_makes_a_calibration_of_its_serial() -> None:
    """No batch may be calibrated from one gauge; runs are left out instead of gauges, and said."""
    one = outcome("one gauge")

    assert one.calibration.serial == "PC-40-09"
    assert one.calibration.batch is None
    assert one.calibration.curve is not None
    assert one.calibration.curve.between_gauges == 0.0
    assert any("One gauge only" in remark for remark in one.remarks)


def test_a_gauge_left_out_is_out_and_said() -> None:
    """Its rows do not count, and its reason stands in the remarks."""
    sheet = SHEET + '\n[[left_out]]\nserial = "PC-40-02"\nreason = "lead torn off in run 2"\n'

    one = outcome("plain", sheet)

    assert one.figures.fitted.gauges == 2
    assert any("lead torn off in run 2" in remark for remark in one.remarks)


def test_foil_and_beam_agree_or_it_is_said() -> None:
    """A foil that sees 4 % more than beam theory says stands out of ±2.2 %."""
    right, wrong = outcome("plain"), outcome("wrong beam")

    assert right.figures.foil is not None
    assert right.figures.foil.agrees
    assert right.figures.foil.ratio == pytest.approx(1.0, abs=1e-3)
    assert wrong.figures.foil is not None
    assert not wrong.figures.foil.agrees
    assert wrong.figures.foil.ratio == pytest.approx(1.04, abs=1e-3)
    assert any("disagree by +4.0" in remark for remark in wrong.remarks)
