"""
Film moisture: cold start, silence, condensation, and the climate of a backlog's own time.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Readings, Results
from pipeline.derive.chain import ChainState, compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Plan
from pipeline.derive.moisture import UNKNOWN_U
from pipeline.site.models import Moisture
from tests.derive.examples import LINE, START, START_US, calibration, film, structure
from tests.derive.streams import Floats, floats, readings

# H = 2.1e-3·(w - 0.5) at a factor of 2.1: 10 µm/m per 1 % of w. τ is one hour.
DAMP = calibration(
    "full", LINE, moisture=Moisture(output=(2.1e-3,), time_constant_s=3600.0, sensor_u_rh=1.0)
)
HOUR = 3600.0


def plan() -> Plan:
    """One film gauge whose only correction is moisture, at air temperature."""
    gauge = film(
        leakage_ohm=None,
        unstrained_u=0.0,
        air_temperature_channel=None,
        unstrained_humidity_rh=None,
        unstrained_temperature_c=None,
    )
    return compile_plan(structure((gauge,), calibrations=(DAMP,)))


def stream(times: Floats, humidity: tuple[Floats, Floats]) -> Readings:
    """The gauge at rest, with humidity [%RH] at its own times."""
    return readings({"C1": (times, np.full(len(times), 10_000.0)), "rh": humidity})


def run(block: Readings, *, live: bool = False, state: ChainState | None = None) -> Results:
    """Results of one block."""
    return run_chain(block, state or initial_state(plan()), plan(), live=live)[0]


def has(results: Results, test: str) -> list[bool]:
    """Which rows carry the bit."""
    return [bool(bits & TEST_BIT[test]) for bits in results.column("tests").astype(np.int64)]


def test_moisture_follows_a_step_of_humidity_with_its_lag() -> None:
    """50 to 70 %RH at t = 0: one τ later w = 0.7 - 0.2·exp(-1), by hand 126.42 µm/m."""
    times = np.array([-60.0, 0.0, HOUR]) + 600.0
    humid = np.arange(0.0, 2.0 * HOUR, 300.0)

    results = run(stream(times, (humid, np.where(humid < 600.0, 50.0, 70.0))))

    expected = [0.0, 0.0, 1e3 * 0.2 * (1.0 - np.exp(-1.0))]
    np.testing.assert_allclose(floats(results, "moisture"), expected, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(floats(results, "mechanical"), -np.array(expected), atol=1e-9)


def test_cold_start_warms_up_and_its_uncertainty_decays_with_tau() -> None:
    """u of w is 1/sqrt(12) at first; after t it is u_s + (that - u_s)·exp(-t/τ), by hand."""
    times = np.array([0.0, 1.0, 2.0, 3.0, 12.0]) * HOUR
    humid = np.arange(0.0, 13.0 * HOUR, 600.0)

    results = run(stream(times, (humid, np.full(len(humid), 50.0))))

    u_w = 0.01 + (UNKNOWN_U - 0.01) * np.exp(-times / 3600.0)
    curve = 1e-6 / 2.1  # reading_u; at rest the curve itself adds nothing
    expected = 0.98 * 1e6 * np.hypot(1e-3 * u_w, curve)
    found = floats(results, "u")
    np.testing.assert_allclose(found, expected, rtol=2e-3)
    assert has(results, "warm_up") == [True, True, True, True, False]  # until 3.3 τ


def test_silent_humidity_leaves_the_film_going_on_less_and_less_certain() -> None:
    """After the age the row is uncompensated, its term still stands, and u grows."""
    humid = np.arange(0.0, 20.0 * HOUR, 600.0)
    times = humid[-1] + np.array([0.0, 900.0, 901.0, 4000.0, 40_000.0])

    results = run(stream(times, (humid, np.full(len(humid), 60.0))))

    assert has(results, "uncompensated") == [False, False, True, True, True]
    np.testing.assert_allclose(floats(results, "moisture"), 100.0, rtol=1e-9)
    u = floats(results, "u")
    assert u[1] == pytest.approx(u[0], rel=1e-6)
    assert u[2] < u[3] < u[4]
    assert u[4] == pytest.approx(0.98e3 * UNKNOWN_U, rel=1e-2)
    assert results.column("flag").tolist()[2:] == [3, 3, 3]


def test_no_humidity_at_all_leaves_the_term_out_and_a_wide_uncertainty() -> None:
    """Null term, value still there, u of all that H can be: max 1.05e-3/sqrt(3) in δ."""
    results = run(stream(np.array([0.0, 60.0]), (np.array([999.0]), np.array([50.0]))))

    assert np.isnan(floats(results, "moisture")).all()
    np.testing.assert_allclose(floats(results, "value"), 0.0, atol=1e-9)
    expected = 0.98 * np.hypot(500.0 / np.sqrt(3.0), 1.0 / 2.1)
    np.testing.assert_allclose(floats(results, "u"), expected, rtol=1e-3)
    assert has(results, "uncompensated") == [True, True]


def test_condensation_is_flagged_and_drives_the_film_to_saturation() -> None:
    """Air at 100 % against a film: φ = 1, suspect while it lasts, w towards 1."""
    humid = np.arange(0.0, 40.0 * HOUR, 600.0)
    values = np.where(humid < 30.0 * HOUR, 100.0, 60.0)
    times = np.array([1.0, 29.0, 31.0]) * HOUR + 1.0

    results = run(stream(times, (humid, values)))

    assert has(results, "condensation") == [True, True, False]
    assert results.column("flag").tolist()[:2] == [3, 3]
    assert floats(results, "moisture")[1] == pytest.approx(500.0, rel=1e-6)


def test_backlog_of_hours_finds_the_moisture_of_its_own_time() -> None:
    """Humidity came live, the gauge's node six hours late but in order: as if in time."""
    humid = np.arange(0.0, 10.0 * HOUR, 600.0)
    wave = 50.0 + 30.0 * np.sin(humid / 5000.0)
    times = np.arange(30.0, 9.9 * HOUR, 300.0)
    known, late = stream(times[times < 3 * HOUR], (humid, wave)), times[times >= 3 * HOUR]
    backlog = readings({"C1": (late, np.full(len(late), 10_000.0))})

    _, state = run_chain(known, initial_state(plan()), plan(), live=True)
    found = run(backlog, live=True, state=state)

    expected = run(stream(times, (humid, wave)))
    np.testing.assert_allclose(
        floats(found, "moisture"), floats(expected, "moisture")[-len(late) :], rtol=1e-9
    )
    assert not any(has(found, "late"))


def test_film_of_a_silent_gauge_goes_on_while_its_humidity_is_let_go() -> None:
    """A day without readings live: the film has followed the humidity that is gone."""
    humid = np.arange(0.0, 30.0 * HOUR, 60.0)
    wave = 50.0 + 30.0 * np.sin(humid / 9000.0)
    state, one = initial_state(plan()), plan()
    for part in np.array_split(np.arange(len(humid)), 60):
        _, state = run_chain(readings({"rh": (humid[part], wave[part])}), state, one, live=True)
    last = readings({"C1": ([30.0 * HOUR], [10_000.0])})

    found, _ = run_chain(last, state, one, live=True)

    expected = run(stream(np.array([30.0 * HOUR]), (humid, wave)))
    assert floats(found, "moisture")[0] == pytest.approx(floats(expected, "moisture")[0], rel=1e-6)
    assert has(found, "warm_up") == [False]


def test_film_is_at_the_edge_when_its_gauge_was_silent_all_window() -> None:
    """Sealing keeps no humidity but the last: a silent gauge's film is advanced all the same."""
    humid = np.arange(0.0, 30.0 * HOUR, 600.0)
    wave = 50.0 + 30.0 * np.sin(humid / 9000.0)
    one = plan()
    _, state = run_chain(readings({"rh": (humid, wave)}), initial_state(one), one)
    reading = readings({"C1": ([30.0 * HOUR], [10_000.0])})

    found, _ = run_chain(reading, ChainState.from_json(state.to_json()), one)

    expected = run(stream(np.array([30.0 * HOUR]), (humid, wave)))
    np.testing.assert_allclose(floats(found, "moisture"), floats(expected, "moisture"), rtol=1e-12)
    assert state.joined["rh"].time.tolist() == [START_US + int(humid[-1] * 1e6)]


def test_film_between_two_readings_follows_each_calibration_in_its_own_time() -> None:
    """A slower film from a seam on: the hour before it still counts with the quicker one."""
    slower = DAMP.model_copy(
        update={
            "valid_from": START + timedelta(hours=2),
            "moisture": Moisture(output=(2.1e-3,), time_constant_s=36_000.0, sensor_u_rh=1.0),
        }
    )
    gauge = film(leakage_ohm=None, air_temperature_channel=None, unstrained_humidity_rh=None)
    changed = compile_plan(structure((gauge,), calibrations=(DAMP, slower)))
    humid = np.arange(0.0, 3.0 * HOUR + 1.0, 600.0)
    values = np.where(humid < HOUR, 50.0, np.where(humid < 1.5 * HOUR, 90.0, 70.0))
    block = stream(np.array([HOUR, 3.0 * HOUR]), (humid, values))

    results, _ = run_chain(block, initial_state(changed), changed)

    # By hand: half a τ towards 0.9, half a τ towards 0.7, then a tenth of the longer one.
    swap = 0.9 - 0.4 * np.exp(-0.5)
    w = 0.7 + (swap - 0.7) * np.exp(-0.5) * np.exp(-0.1)
    assert floats(results, "moisture")[1] == pytest.approx(1e3 * (w - 0.5), rel=1e-9)


def test_surface_humidity_is_as_uncertain_as_both_thermometers_make_it() -> None:
    """
    Settled at 50 %RH, air 20 °C, surface 15 °C: u of φ by hand from WMO's formula.

    p_s(20)/p_s(15) = 1.3711; d ln p_s/dT = 0.06188/K at 20 °C and 0.06430/K at 15 °C.
    """
    gauge = film(leakage_ohm=None, unstrained_u=0.0)
    apart = compile_plan(structure((gauge,), calibrations=(DAMP,)))
    humid = np.arange(0.0, 60.0 * HOUR, 600.0)
    block = readings(
        {
            "C1": ([humid[-1]], [10_000.0]),
            "rh": (humid, 50.0),
            "ta": (humid, 20.0),
            "ts": (humid, 15.0),
        }
    )

    results, _ = run_chain(block, initial_state(apart), apart)

    drive = 0.5 * 1.3711
    u_w = np.hypot(0.01 * 1.3711, drive * np.hypot(0.06188, 0.06430) * 0.2)
    assert floats(results, "moisture")[0] == pytest.approx(1e3 * (drive - 0.5), rel=1e-3)
    assert floats(results, "u")[0] == pytest.approx(0.98e3 * u_w, rel=2e-3)
