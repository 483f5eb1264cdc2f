"""
Uncertainty by hand, component by component.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.site.models import Calibration, Creep, Curve, Moisture, Placement, Zero
from tests.derive.examples import (
    AGEING,
    FILM_OUTPUT,
    FOIL,
    FOIL_OUTPUT,
    LINE,
    START,
    calibration,
    foil,
    placement,
    structure,
    zero,
)
from tests.derive.streams import floats, readings

OWN: dict[str, Any] = {"serial": "G", "batch": None}
NORMAL = float(student.ppf(0.975, 1e12)) / 2.0


def gauge(**changes: object) -> Placement:
    """A four-wire gauge at 20 °C, unstrained known exactly."""
    return placement("G", **changes)


def run(
    sheet: Calibration,
    strain: float,
    temperature: float | None = 20.0,
    zeros: tuple[Zero, ...] = (),
    one: Placement | None = None,
    at_s: float = 3600.0,
    **point: object,
) -> Results:
    """One reading of a gauge of constant factor 2.1 whose δ is 2.1·strain [µm/m]."""
    chosen = one or gauge()
    plan = compile_plan(structure((chosen,), zeros, (sheet,), points={chosen.point: dict(point)}))
    channels = {"G": ([at_s], [10_000.0 * (1.0 + 2.1e-6 * strain)])}
    if temperature is not None:
        channels["ts"] = ([at_s - 1.0], [temperature])
    return run_chain(readings(channels), initial_state(plan), plan)[0]


def test_foil_budget_by_hand() -> None:
    """
    Foil in a quarter bridge at 1000 µm/m and 30 °C, before a zero, all components by hand.

    δ: reading 1e-6; unstrained 1e-6 V/V · (1 + 2/350)/(¼ - 2.25e-8); curve 0.01·1e-3, ν = 9;
    thermometer (A′ + c_k·L)·0.2 with A′ = 2.1e-6·(0.8 - 0.1·10 + 0.003·100) at ΔT = 10 K;
    output 5 % of A(30 °C) - A(23 °C) with A = 2.1e-6·(0.8ΔT - 0.05ΔT² + 0.001ΔT³).
    """
    delta = 2.1e-3
    gain = 1.0 + 1e-4 * 10.0
    output = 2.1e-6 * (8.0 - 5.0 + 1.0)
    before = 2.1e-6 * (2.4 - 0.45 + 0.027)
    arm = (350.0 * (1.0 + delta * gain + output) / (1.0 + before) + 2.0) / 352.0
    x = arm * (0.5 + 1.5e-4) / (0.5 - 1.5e-4)
    plan = compile_plan(structure((foil(),), (), (FOIL,)))
    stream = readings({"F1": ([1.0], [0.5 * (x - 1) / (x + 1)]), "ts": ([0.0], [30.0])})

    results, _ = run_chain(stream, initial_state(plan), plan)

    curve = (0.01 * 1e-3 * gain) ** 2
    others = (
        (1e-6) ** 2
        + (1e-6 * (1.0 + 2.0 / 350.0) / (0.25 - 2.25e-8)) ** 2
        + (0.2 * (2.1e-6 * (0.8 - 1.0 + 0.3) + 1e-4 * delta)) ** 2
        + (0.05 * (output - before)) ** 2
    )
    freedom = (curve + others) ** 2 / (curve**2 / 9.0)
    u = np.sqrt(curve + others) / (2.1 * gain) * 1e6
    assert floats(results, "mechanical")[0] == pytest.approx(1000.0, rel=1e-9)
    assert floats(results, "u")[0] == pytest.approx(student.ppf(0.975, freedom) / 2.0 * u, rel=1e-6)


def test_gauge_of_a_batch_carries_the_spread_between_gauges() -> None:
    """3 gauges, 2 %: 0.02·sqrt(4/3)·1000 = 23.09 µm/m with ν = 2, and 4.76 of the curve, ν 9;
    U95² is the mean of t(ν_eff)²·u² and of what the two give apart."""
    batch = LINE.model_copy(update={"between_gauges": 0.02, "gauges": 3, "reading_u": 0.0})
    results = run(calibration("full", batch), 1000.0)

    between, curve = (0.02 * np.sqrt(4 / 3) * 1000.0) ** 2, (10.0 / 2.1) ** 2
    freedom = (between + curve) ** 2 / (between**2 / 2.0 + curve**2 / 9.0)
    whole = student.ppf(0.975, freedom) ** 2 * (between + curve)
    apart = student.ppf(0.975, 2.0) ** 2 * between + student.ppf(0.975, 9.0) ** 2 * curve
    expected = 0.5 * np.sqrt(0.5 * (whole + apart))
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-6)


def test_zero_takes_the_place_of_the_unstrained_value() -> None:
    """Before it 1 Ω in 10 kΩ: 47.6 µm/m; after it 2e-6 in δ: 0.95, beside 0.48 of the meter."""
    one = gauge(unstrained_u=1.0)
    sheet = calibration("full", **OWN)
    known = (zero("G", 0.5, offset_delta=0.0),)

    before = floats(run(sheet, 0.0, one=one), "u")[0]
    after = floats(run(sheet, 0.0, zeros=known, one=one), "u")[0]

    assert before == pytest.approx(NORMAL * np.hypot(1e-4, 1e-6) / 2.1e-6, rel=1e-5)
    assert after == pytest.approx(NORMAL * np.hypot(2e-6, 1e-6) / 2.1e-6, rel=1e-5)


def test_errors_of_curve_and_thermometer_count_from_the_zero() -> None:
    """Zeroed at 800 µm/m and 20 °C, read at 1000 and 30 °C: of the curve u(k)·200 µm/m are left,
    and of 0.2 K only what A' has changed by."""
    output = FOIL_OUTPUT.model_copy(update={"factor_per_k": 0.0, "output_u": 0.0})
    sheet = calibration(
        "full", LINE.model_copy(update={"reading_u": 0.0}), temperature=output, **OWN
    )
    known = zero("G", 0.5, offset_delta=0.0, offset_delta_u=0.0, known_strain_um_m=800.0)
    warm = 2.1e-6 * (0.8 * 10.0 - 0.05 * 100.0 + 0.001 * 1000.0) / 2.1e-6

    results = run(sheet, 1000.0 + warm, 30.0, zeros=(known,))

    curve = 0.01 * 2e-4
    thermometer = 0.2 * 2.1e-6 * (-0.1 * 10.0 + 0.003 * 100.0)
    u = np.hypot(curve, thermometer)
    freedom = u**4 / (curve**4 / 9.0)
    expected = student.ppf(0.975, freedom) / 2.0 * u / 2.1e-6
    assert floats(results, "mechanical")[0] == pytest.approx(1000.0, rel=1e-9)
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-6)


def test_ageing_grows_since_the_last_zero() -> None:
    """5e-5 a year linear: a year after bonding 23.8 µm/m, 11.9 with a zero after half of it."""
    linear = AGEING.model_copy(update={"kind": "linear"})
    sheet = calibration("full", ageing=linear, **OWN)
    half = zero("G", 4383.0, offset_delta_u=0.0)

    alone = floats(run(sheet, 0.0, at_s=365.25 * 86400.0), "u")[0]
    zeroed = floats(run(sheet, 0.0, zeros=(half,), at_s=365.25 * 86400.0), "u")[0]

    assert alone == pytest.approx(NORMAL * np.hypot(5e-5, 1e-6) / 2.1e-6, rel=1e-3)
    assert zeroed == pytest.approx(NORMAL * np.hypot(2.5e-5, 1e-6) / 2.1e-6, rel=1e-2)


@pytest.mark.parametrize(
    ("yields", "watched", "per_k"),
    [
        ("mechanical", "mechanical", 1.5e-4 / 2.1),
        ("mechanical", "total", 1.5e-4 / 2.1 - 12e-6),
        ("total", "mechanical", 1.5e-4 / 2.1 + 12e-6),
        ("total", "total", 1.5e-4 / 2.1),
    ],
)
def test_one_thermometer_acts_on_output_and_expansion_together(
    yields: str, watched: str, per_k: float
) -> None:
    """d(mechanical)/dT = -A′/k, - α more where A leaves total; d(total)/dT is + α of that."""
    plain = FILM_OUTPUT.model_copy(
        update={
            "output": (1.5e-4,),
            "yields": yields,
            "factor_per_k": 0.0,
            "factor_per_k_u": 0.0,
            "output_u": 0.0,
        }
    )
    results = run(calibration("full", temperature=plain, **OWN), 0.0, 20.0, watched=watched)

    expected = NORMAL * np.hypot(per_k * 0.2, 1e-6 / 2.1) * 1e6
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-5)


def test_missing_temperature_leaves_a_value_with_all_that_temperature_could_do() -> None:
    """A runs to 1.5e-4·30 in the chamber's -10 to 50 °C: 4.5e-3/sqrt(3)/2.1 = 1237 µm/m."""
    plain = FILM_OUTPUT.model_copy(
        update={"output": (1.5e-4,), "factor_per_k": 0.0, "factor_per_k_u": 0.0}
    )
    results = run(calibration("full", temperature=plain, **OWN), 100.0, None)

    assert floats(results, "value")[0] == pytest.approx(100.0)
    assert np.isnan(floats(results, "thermal_output")[0])
    assert int(results.column("tests")[0]) & TEST_BIT["uncompensated"]
    assert floats(results, "u")[0] == pytest.approx(
        NORMAL * 4.5e-3 / np.sqrt(3.0) / 2.1e-6, rel=1e-4
    )


def test_missing_temperature_leaves_total_at_mechanical_with_the_expansion_unknown() -> None:
    """Watched is total: α·30 K/sqrt(3) = 207.8 µm/m of expansion may be missing."""
    foil_like = FOIL_OUTPUT.model_copy(
        update={"output_um_m": (), "factor_per_k": 0.0, "output_u": 0.0}
    )
    results = run(calibration("full", temperature=foil_like, **OWN), 0.0, None, watched="total")

    assert floats(results, "total")[0] == floats(results, "mechanical")[0]
    assert floats(results, "u")[0] == pytest.approx(
        NORMAL * np.hypot(360.0 / np.sqrt(3.0), 1 / 2.1), rel=1e-5
    )


def test_beyond_the_range_the_uncertainty_grows_with_the_distance() -> None:
    """At 4000 µm/m of a range that ends at 3000: 1000/sqrt(3) more, and the row is suspect."""
    results = run(calibration("full", **OWN), 4000.0)

    curve, beyond = (40.0 / 2.1) ** 2, 1000.0**2 / 3.0
    freedom = (curve + beyond) ** 2 / (curve**2 / 9.0)
    expected = student.ppf(0.975, freedom) / 2.0 * np.sqrt(curve + beyond)
    assert floats(results, "value")[0] == pytest.approx(4000.0)
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-4)
    assert int(results.column("tests")[0]) & TEST_BIT["beyond_range"]
    assert int(results.column("flag")[0]) == 3


def test_factor_drift_and_thermal_output_are_as_uncertain_as_the_chamber_left_them() -> None:
    """At 1000 µm/m and ΔT = 20 K: c_k known to 1e-4/K gives 2 µm/m; A to 5 %: 71.4 µm/m."""
    sheet = FILM_OUTPUT.model_copy(
        update={"output": (1.5e-4,), "factor_per_k": 0.0, "sensor_u_k": 0.0}
    )
    exact = LINE.model_copy(update={"covariance": ((0.0,),), "reading_u": 0.0})
    both = calibration("full", exact, temperature=sheet, **OWN)
    alone = both.model_copy(update={"temperature": sheet.model_copy(update={"output_u": 0.0})})
    warm = 1000.0 + 20.0 * 1.5e-4 / 2.1e-6

    assert floats(run(alone, warm, 40.0), "u")[0] == pytest.approx(NORMAL * 2.0, rel=1e-6)
    assert floats(run(both, warm, 40.0), "u")[0] == pytest.approx(
        NORMAL * np.hypot(2.0, 0.05 * 20.0 * 1.5e-4 / 2.1e-6), rel=1e-6
    )


def test_moisture_model_is_as_uncertain_as_its_sheet_says() -> None:
    """H = 4e-3·(w - 0.5), 10 %: at w = 0.9 that is 1.6e-4 in δ, 76.2 µm/m, beside u of w."""
    exact = LINE.model_copy(update={"covariance": ((0.0,),), "reading_u": 0.0})
    damp = Moisture(output=(4e-3,), time_constant_s=60.0, output_u=0.1, sensor_u_rh=1.0)
    sheet = calibration("full", exact, moisture=damp, **OWN)
    plan = compile_plan(structure((gauge(humidity_channel="rh"),), (), (sheet,)))
    humid = np.arange(0.0, 7200.0, 60.0)
    stream = readings({"G": ([7200.0], [10_000.0]), "rh": (humid, 90.0)})

    results, _ = run_chain(stream, initial_state(plan), plan)

    expected = NORMAL * np.hypot(1.6e-4, 4e-3 * 0.01) / 2.1e-6
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-6)


def test_knots_weigh_by_their_share_of_the_way_between_them() -> None:
    """A quarter of the way from one knot to the next: sqrt(0.75² + 0.25²) of each one's u."""
    knots = Curve(
        kind="monotone",
        knots_strain_um_m=(-1000.0, 0.0, 1000.0),
        knots_delta=(-2.1e-3, 0.0, 2.1e-3),
        range_um_m=(-1000.0, 1000.0),
        covariance=((0.0, 0.0, 0.0), (0.0, 1e-10, 0.0), (0.0, 0.0, 1e-10)),
        degrees_of_freedom=4.0,
    )
    results = run(calibration("full", knots, **OWN), 250.0)

    expected = student.ppf(0.975, 4) / 2.0 * 1e-5 * np.hypot(0.75, 0.25) / 2.1e-6
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-6)


def test_creep_is_as_uncertain_as_its_fraction() -> None:
    """1000 µm/m held for ten τ: 5 % may be 6 %, so 10 µm/m; the strain is what was put on."""
    creeping = calibration(
        "full",
        LINE.model_copy(update={"covariance": ((0.0,),), "reading_u": 0.0}),
        creep=(Creep(fraction=0.05, fraction_u=0.01, time_constant_s=600.0),),
        **OWN,
    )
    plan = compile_plan(structure((gauge(),), (), (creeping,)))
    times = np.arange(0.0, 6001.0, 60.0)
    shown = 2.1e-3 * (1.0 + 0.05 * (1.0 - np.exp(-times / 600.0)))
    stream = readings({"G": (times, 10_000.0 * (1.0 + shown))})

    results, _ = run_chain(stream, initial_state(plan), plan)

    np.testing.assert_allclose(floats(results, "mechanical"), 1000.0, rtol=1e-9)
    assert floats(results, "u")[-1] == pytest.approx(NORMAL * 10.0, rel=1e-4)
    assert floats(results, "u")[0] == 0.0


def test_silent_companion_leaves_a_value_with_the_models_whole_span() -> None:
    """Nothing is taken off, companion_missing is set, u is that of A over the chamber's range."""
    plain = FILM_OUTPUT.model_copy(
        update={"output": (1.5e-4,), "factor_per_k": 0.0, "factor_per_k_u": 0.0}
    )
    pair = (
        gauge(compensation="companion", companion="K"),
        placement("K", valid_to=START + timedelta(hours=2)),
    )
    sheet = calibration("full", temperature=plain, **OWN)
    plan = compile_plan(structure(pair, (), (sheet,)))
    times = np.array([0.0, 800.0, 1000.0, 7300.0])
    stream = readings({"G": (times, np.full(4, 10_021.0)), "K": ([0.0, 7200.0], 10_010.0)})

    results, _ = run_chain(stream, initial_state(plan), plan)

    own = results.take(np.array(results.table.column("point").to_pylist()) == "P-G")
    missing = [bool(bits & TEST_BIT["companion_missing"]) for bits in own.column("tests")]
    assert missing == [False, False, True, True]  # too old, then no longer in place
    np.testing.assert_allclose(floats(own, "value"), [523.8095, 523.8095, 1000.0, 1000.0], 1e-6)
    np.testing.assert_allclose(floats(own, "companion")[:2], 476.1905, 1e-6)
    assert np.isnan(floats(own, "companion")[2:]).all()
    wide = NORMAL * 4.5e-3 / np.sqrt(3.0) / 2.1e-6
    np.testing.assert_allclose(floats(own, "u")[2:], wide, rtol=1e-3)


@pytest.mark.parametrize("fault", [5e6, 20.0, -1.0])
def test_companion_with_an_electrical_fault_is_missing(fault: float) -> None:
    """An open or shorted companion is not taken off as if it were strain."""
    pair = (gauge(compensation="companion", companion="K"), placement("K"))
    plan = compile_plan(structure(pair, (), (calibration("full", **OWN),)))
    stream = readings({"G": ([1.0], [10_021.0]), "K": ([0.0], [fault])})

    results, _ = run_chain(stream, initial_state(plan), plan)

    assert int(results.column("tests")[0]) & TEST_BIT["companion_missing"]
    assert floats(results, "value")[0] == pytest.approx(1000.0, rel=1e-9)
