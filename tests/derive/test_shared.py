"""
Several active arms through the whole chain: the strain that node voltages were made of comes back.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import TERMS, TEST_BIT, Results
from pipeline.derive.block import Block
from pipeline.derive.budget import components_of, load_weights
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.correction import climate_effects
from pipeline.derive.gauges import Plan, StrainModel
from pipeline.physics.arms import BridgeCurve
from pipeline.site.models import Calibration, Curve, Zero
from tests.derive.examples import (
    AGEING,
    BENT,
    CREEP,
    CUBIC,
    DAMP,
    FILM_OUTPUT,
    LINE,
    calibration,
    film,
    structure,
    zero,
)
from tests.derive.forward import (
    Climate,
    crept_load,
    curve_delta,
    film_moisture,
    moisture_output,
    thermal_output,
)
from tests.derive.streams import floats, readings, slow

Floats = npt.NDArray[np.float64]
POISSON = 0.3
PLACED: dict[str, tuple[float | None, ...]] = {
    "half_bending": (1.0, -1.0, None, None),
    "half_poisson": (1.0, -POISSON, None, None),
    "full_bending": (1.0, -1.0, 1.0, -1.0),
    "full_poisson_bending": (1.0, -POISSON, POISSON, -1.0),
    "full_poisson_axial": (1.0, -POISSON, 1.0, -POISSON),
}
T = np.arange(0.0, 8 * 3600.0, 240.0) + 60.0
STRAIN = 6e-4 * np.sin(T / 3000.0) + 2e-4 * np.cos(T / 700.0)
YEAR_S = 365.25 * 86400.0
NONE: dict[str, Any] = {"compensation": "none", "compensation_reason": "the arms have it in common"}


def weather() -> Climate:
    """Surface, air and humidity every two minutes, never condensing."""
    t = np.arange(0.0, T[-1] + 120.0, 120.0)
    return Climate(t, slow(t, 18.0, 9.0, 2.0), slow(t, 16.0, 6.0, 3.0), slow(t, 30.0, 10.0, 4.0))


def common_delta(sheet: Calibration, climate: Climate) -> Floats:
    """A + H + ageing at the readings, as every arm has them."""
    place = np.searchsorted(climate.time, T, side="right") - 1
    delta = np.array([thermal_output(sheet, t) for t in climate.surface[place]])
    delta = delta + np.array([moisture_output(sheet, w) for w in film_moisture(sheet, climate, T)])
    if sheet.ageing is not None:
        delta = delta + sheet.ageing.per_year * np.log(1.0 + T / YEAR_S)
    return np.asarray(delta)


def outputs(
    wiring: str, sheet: Calibration, climate: Climate, strain: Floats, lead: float, *, active: bool
) -> Floats:
    """Node voltages of four resistors of 10 kΩ at rest; passive ones stand beside the station."""
    place = np.searchsorted(climate.time, T, side="right") - 1
    warmth = climate.surface[place] - sheet.reference_temperature_c
    factor = 0.0 if sheet.temperature is None else sheet.temperature.factor_per_k
    curve = sheet.curve

    assert curve is not None
    r1, r2, r3, r4 = (
        np.full(len(T), 10_000.0 + lead)
        if at is None
        else 10_000.0 * (1.0 + active * common_delta(sheet, climate))
        + 10_000.0 * (1.0 + factor * warmth) * curve_delta(curve, at * strain)
        + lead
        for at in PLACED[wiring]
    )
    return np.asarray(r1 / (r1 + r2) - r4 / (r3 + r4))


def bridge_plan(
    wiring: str, sheet: Calibration, zeros: tuple[Zero, ...] = (), **gauge: Any
) -> Plan:
    """One bridge of 10 kΩ gauges, balanced at rest."""
    fields: dict[str, Any] = {"wiring": wiring, "unstrained": 0.0, "leakage_ohm": None}
    fields |= {"unstrained_u": 0.0, **gauge}
    if "poisson" in wiring:
        fields["poisson"] = POISSON
    return compile_plan(structure((film(**fields),), zeros, (sheet,)))


def strain_model(plan: Plan) -> StrainModel:
    """Of the one gauge."""
    model = plan.gauges[0].segments[0].strain

    assert model is not None
    return model


def run(plan: Plan, values: Floats, climate: Climate, *, thermometer: bool = True) -> Results:
    """The chain over the readings and their climate."""
    sent = {
        "C1": (T, values),
        "ta": (climate.time, climate.air),
        "rh": (climate.time, climate.humidity),
    }
    if thermometer:
        sent["ts"] = (climate.time, climate.surface)
    return run_chain(readings(sent), initial_state(plan), plan)[0]


def taken(results: Results) -> Floats:
    """Sum of the terms."""
    total = np.zeros(len(results))
    for term in TERMS:
        total = total + np.nan_to_num(floats(results, term))
    return np.asarray(total)


SHEETS = {
    "monotone": calibration("full", BENT, temperature=FILM_OUTPUT, moisture=DAMP, ageing=AGEING),
    "cubic": calibration("full", CUBIC, temperature=FILM_OUTPUT, moisture=DAMP, ageing=AGEING),
    "line": calibration("full", LINE, temperature=FILM_OUTPUT, moisture=DAMP, ageing=AGEING),
}


@pytest.mark.parametrize("wiring", sorted(PLACED))
@pytest.mark.parametrize("kind", sorted(SHEETS))
def test_strain_comes_back_from_arms_in_their_climate(wiring: str, kind: str) -> None:
    """Every arm with its own F, c_k, A, H and age, and a zero on top: exact, and it telescopes."""
    sheet, climate = SHEETS[kind], weather()
    lead = 50.0 if wiring.startswith("half") else 0.0
    values = outputs(wiring, sheet, climate, STRAIN, lead, active=True)
    gauge: dict[str, Any] = {"lead_ohm": lead, "nominal_ohm": 10_000.0}
    nothing = (zero("C1", 0.0, offset_delta=0.0),)

    results = run(bridge_plan(wiring, sheet, nothing, **gauge), values, climate)

    np.testing.assert_allclose(floats(results, "mechanical"), STRAIN * 1e6, rtol=1e-9, atol=1e-7)
    np.testing.assert_array_equal(
        floats(results, "indicated") - taken(results), floats(results, "mechanical")
    )
    assert np.isnan(floats(results, "companion")).all()


def test_climate_of_an_unloaded_bridge_does_nothing() -> None:
    """A and H of several percent in every arm: 0 stays 0, and nothing is taken off."""
    sheet, climate = SHEETS["cubic"], weather()
    values = outputs("half_bending", sheet, climate, np.zeros(len(T)), 0.0, active=True)

    results = run(bridge_plan("half_bending", sheet), values, climate)

    for name in ("indicated", "thermal_output", "moisture", "ageing", "mechanical"):
        np.testing.assert_allclose(floats(results, name), 0.0, atol=1e-9, err_msg=name)


def test_sensitivity_acts_in_every_arm_and_climate_by_its_size_alone() -> None:
    """By hand, for a line: the term of c_k is -c_k·ΔT/(1 + …) of the strain, that of A is +A."""
    sheet = calibration("full", LINE, temperature=FILM_OUTPUT)
    climate = weather()
    values = outputs("full_bending", sheet, climate, STRAIN, 0.0, active=True)

    results = run(bridge_plan("full_bending", sheet), values, climate)

    surface = floats(results, "temperature")
    a = np.array([thermal_output(sheet, t) for t in surface])
    shown = STRAIN * (1.0 - 8e-4 * (surface - 20.0)) / (1.0 + a) * 1e6
    np.testing.assert_allclose(floats(results, "indicated"), shown, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(floats(results, "thermal_output"), -a * shown, rtol=1e-6, atol=1e-9)


def test_effects_on_a_single_arm_are_none_of_a_bridge() -> None:
    """Who works out additive effects meets the zero alone: the rest is shared."""
    sheet, climate = SHEETS["cubic"], weather()
    plan = bridge_plan("half_bending", sheet, (zero("C1", 0.0),))
    seen: list[Block] = []
    values = outputs("half_bending", sheet, climate, STRAIN, 0.0, active=True)
    sent = {"C1": (T, values), "ts": (climate.time, climate.surface)}
    run_chain(readings(sent), initial_state(plan), plan, watch=lambda _, b: seen.append(b))

    assert set(climate_effects(seen[0], strain_model(plan))) == {"zero"}


def test_bridge_without_a_model_takes_the_closed_form_alone() -> None:
    """With `none` nothing of the climate is used: indicated is mechanical."""
    sheet, climate = SHEETS["monotone"], weather()
    values = outputs("half_poisson", SHEETS["monotone"], climate, STRAIN, 0.0, active=False)

    results = run(bridge_plan("half_poisson", sheet, **NONE), values, climate, thermometer=False)

    np.testing.assert_array_equal(floats(results, "indicated"), floats(results, "mechanical"))
    tests = results.column("tests").astype(np.int64)
    assert not (tests & TEST_BIT["uncompensated"]).any()


def test_missing_temperature_is_flagged_left_out_and_in_the_uncertainty() -> None:
    """c_k is not known then: suspect, and at 600 µm/m u grows by c_k and A over the range."""
    sheet, climate = calibration("full", CUBIC, temperature=FILM_OUTPUT), weather()
    values = outputs("half_bending", sheet, climate, STRAIN, 0.0, active=True)
    plan = bridge_plan("half_bending", sheet)

    known, unknown = run(plan, values, climate), run(plan, values, climate, thermometer=False)

    tests = unknown.column("tests").astype(np.int64)
    assert (tests & TEST_BIT["uncompensated"]).all()
    assert np.isnan(floats(unknown, "sensitivity")).all()
    large = np.abs(STRAIN) > 3e-4
    grown = (floats(unknown, "u") ** 2 - floats(known, "u") ** 2)[large]
    # By hand: A(-30 K) = -2.43e-3, A(30 K) = 6.03e-3; c_k·30 K = 0.024; their sum over √3.
    expected = 0.98 * (6.03e-3 + 0.024) * np.abs(STRAIN) * 1e6 / np.sqrt(3.0)
    np.testing.assert_allclose(np.sqrt(grown), expected[large], rtol=0.1)


def test_thermometer_of_a_bridge_hardly_matters() -> None:
    """By hand: 0.2 K through A' = 1.5e-4/K would be 1.4 µm/m; of what is shared 1.4e-3 of it."""
    sheet, climate = calibration("full", LINE, temperature=FILM_OUTPUT), weather()
    values = outputs("half_bending", sheet, climate, STRAIN, 0.0, active=True)
    plan = bridge_plan("half_bending", sheet)
    (gauge,) = plan.gauges
    seen: list[Any] = []
    stream = readings({"C1": (T, values), "ts": (climate.time, climate.surface)})
    run_chain(stream, initial_state(plan), plan, watch=lambda _, block: seen.append(block))

    variance, _ = components_of(seen[0], gauge.segments[0])["temperature"]

    # What is left is (c_k - A'/(1 + A))·L·0.2 K, of the strain's size.
    surface = seen[0]["temperature"] - 20.0
    slope = 1.5e-4 + 4e-6 * surface - 3e-8 * surface**2
    expected = (-8e-4 - slope) * 2.1 * STRAIN * 0.2
    np.testing.assert_allclose(np.sqrt(variance), np.abs(expected), rtol=2e-2, atol=1e-12)


@pytest.mark.parametrize("wiring", sorted(PLACED))
def test_uncertainty_of_the_curve_is_that_of_all_arms(wiring: str) -> None:
    """Each coefficient moved by a little: what the bridge makes of it follows by its weight."""
    sheet, strain = SHEETS["cubic"], np.array([-650e-6, -200e-6, 410e-6, 900e-6])
    model = strain_model(bridge_plan(wiring, sheet))
    weights = load_weights(strain, model)

    for i, step in enumerate((1e-4, 1e-1, 1e2)):
        moved = np.array(CUBIC.coefficients)
        moved[i] += step
        curve = CUBIC.model_copy(update={"coefficients": tuple(moved)})
        other = strain_model(bridge_plan(wiring, sheet.model_copy(update={"curve": curve})))
        change = other.curve.delta(strain) - model.curve.delta(strain)
        np.testing.assert_allclose(weights[i] * step, change, rtol=1e-3, atol=1e-15)


@pytest.mark.parametrize("wiring", sorted(PLACED))
def test_knots_of_all_arms_together_move_a_bridge_by_the_sum_of_its_shares(wiring: str) -> None:
    """At any strain the weights of the knots of one arm add up to 1."""
    strain = np.array([-650e-6, 410e-6])
    model = strain_model(bridge_plan(wiring, SHEETS["monotone"]))

    assert isinstance(model.curve, BridgeCurve)
    shares = sum(share for _, share in model.curve.shares(strain))
    np.testing.assert_allclose(np.sum(load_weights(strain, model), axis=0), shares, atol=1e-12)


def test_beyond_the_range_of_any_arm_is_flagged() -> None:
    """CUBIC ends at -1200 µm/m: in bending the other arm leaves it at 1200, not at 1500."""
    sheet, climate = calibration("full", CUBIC), weather()
    strain = np.linspace(1100e-6, 1300e-6, len(T))
    values = outputs("half_bending", sheet, climate, strain, 0.0, active=False)

    tests = run(bridge_plan("half_bending", sheet, **NONE), values, climate).column("tests")

    beyond = [bool(bits & TEST_BIT["beyond_range"]) for bits in tests.astype(np.int64)]
    assert beyond == (strain > 1200e-6).tolist()


@pytest.mark.parametrize(("curve", "left_out"), [(LINE, 1e-9), (BENT, 1e-3)])
def test_creep_of_a_bridge_comes_off_but_for_what_the_arms_have_in_common(
    curve: Curve, left_out: float
) -> None:
    """Each arm creeps by its own load: exact for a line, a thousandth of the creep for a curve."""
    sheet = calibration("full", curve, creep=CREEP)
    r1, r2 = (1.0 + crept_load(sheet, T, curve_delta(curve, at * STRAIN)) for at in (1.0, -POISSON))
    plan = bridge_plan("half_poisson", sheet, **NONE)

    results = run(plan, r1 / (r1 + r2) - 0.5, weather())

    creep = np.max(np.abs(floats(results, "creep")))
    left = np.max(np.abs(floats(results, "mechanical") - STRAIN * 1e6))
    assert creep > 10.0
    assert left < left_out * creep
