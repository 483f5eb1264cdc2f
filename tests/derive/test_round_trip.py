"""
The chain recovers the strain that an independent forward model put in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import TERMS, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.site.models import Calibration, Placement, Zero
from tests.derive.examples import (
    AGEING,
    CREEP,
    CUBIC,
    DAMP,
    EXPANSION,
    FILM_OUTPUT,
    FOIL,
    FOIL_OUTPUT,
    FULL,
    calibration,
    film,
    foil,
    placement,
    structure,
    zero,
)
from tests.derive.forward import Climate, commissioned, gauge_delta
from tests.derive.streams import floats, readings, slow

Floats = npt.NDArray[np.float64]
HOURS = 20.0


def weather(seed: int = 3) -> Climate:
    """Irregular climate over the test's span, surface apart from the air, never condensing."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(30.0, 240.0, int(HOURS * 60)))
    t = np.concatenate(([0.0], t[t < HOURS * 3600.0]))
    return Climate(t, slow(t, 18.0, 9.0, 2.0), slow(t, 16.0, 6.0, 3.0), slow(t, 30.0, 10.0, 4.0))


def loading(seed: int = 5) -> tuple[Floats, Floats]:
    """Reading times [s] and a strain that wanders and jumps, within the calibrated range."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(5.0, 130.0, 900)).round(3)
    t = t[t < HOURS * 3600.0 - 1.0]
    strain = 3e-4 * np.sin(t / 4000.0) + 2e-4 * (rng.random(len(t)) < 0.1)
    return t, strain


def recovered(
    gauge: Placement,
    sheet: Calibration,
    values: Floats,
    time: Floats,
    climate: Climate,
    zeros: tuple[Zero, ...] = (),
    **point: Any,
) -> Results:
    """What the chain makes of a gauge's values in that climate."""
    plan = compile_plan(
        structure((gauge,), zeros, (sheet,), points={gauge.point: point}, interval_s=100.0)
    )
    stream = readings(
        {
            gauge.channel: (time, values),
            "ts": (climate.time, climate.surface),
            "ta": (climate.time, climate.air),
            "rh": (climate.time, climate.humidity),
        }
    )
    results, _ = run_chain(stream, initial_state(plan), plan)
    return results


def assert_recovered(results: Results, strain: Floats, column: str = "mechanical") -> None:
    """The column is the strain, and the terms telescope to it."""
    taken = np.zeros(len(results))
    for term in TERMS:
        taken = taken + np.nan_to_num(floats(results, term))

    np.testing.assert_allclose(floats(results, column), strain * 1e6, rtol=1e-9, atol=1e-7)
    np.testing.assert_array_equal(
        floats(results, "indicated") - taken, floats(results, "mechanical")
    )


def test_foil_in_a_quarter_bridge_with_leads_gives_its_strain_back() -> None:
    """Exact bridge, three-wire leads, thermal output, c_k and unstrained climate all undo."""
    climate, (time, strain) = weather(), loading()
    delta = gauge_delta(FOIL, strain, time, climate, offset=3e-4)
    rest = commissioned(FOIL, 23.0, 50.0)
    arm = (350.0 * (1.0 + delta) / rest + 2.0) / (350.0 + 2.0)  # beside the unstrained arm
    x = arm * (0.5 + 1.5e-4) / (0.5 - 1.5e-4)
    values = 0.5 * (x - 1.0) / (x + 1.0)

    results = recovered(foil(), FOIL, values, time, climate, (zero("F1", 0.0),))

    assert_recovered(results, strain)
    assert np.isnan(floats(results, "moisture")).all()


@pytest.mark.parametrize("reads_total", [False, True])
def test_printed_gauge_with_everything_gives_its_strain_back(reads_total: bool) -> None:
    """PCHIP curve, leakage, A, c_k, film moisture, two creep terms, ageing and zero all undo."""
    climate, (time, strain) = weather(), loading()
    delta = gauge_delta(FULL, strain, time, climate, offset=3e-4)
    resistance = 10_000.0 * (1.0 + delta) / commissioned(FULL, 17.0, 62.0)
    values = resistance * 5e8 / (resistance + 5e8)
    unstrained = 10_000.0 * 5e8 / (10_000.0 + 5e8)
    watched = "total" if reads_total else "mechanical"

    results = recovered(
        film(unstrained=unstrained),
        FULL,
        values,
        time,
        climate,
        (zero("C1", 0.0),),
        watched=watched,
    )

    assert_recovered(results, strain)
    surface = floats(results, "temperature")
    total = strain * 1e6 + EXPANSION * (surface - 20.0)
    np.testing.assert_allclose(floats(results, "total"), total, rtol=1e-9, atol=1e-7)
    np.testing.assert_array_equal(floats(results, "value"), floats(results, watched))


def test_bare_film_compensation_leaves_total_and_the_expansion_makes_mechanical() -> None:
    """Where A is the bare film's, the curve feels total strain; α·(T - T_zero) comes off last."""
    bare = FILM_OUTPUT.model_copy(update={"yields": "total"})
    sheet = calibration("full", CUBIC, temperature=bare, creep=CREEP, moisture=DAMP)
    climate, (time, mechanical) = weather(), loading()
    place = np.searchsorted(climate.time, time, side="right") - 1
    total = mechanical + EXPANSION * 1e-6 * (climate.surface[place] - 17.0)
    delta = gauge_delta(sheet, total, time, climate)
    values = 10_000.0 * (1.0 + delta) / commissioned(sheet, 17.0, 62.0)

    results = recovered(film(leakage_ohm=None), sheet, values, time, climate)

    assert_recovered(results, mechanical)
    assert_recovered(results, total, "total")


def test_foil_sheet_of_another_material_is_brought_to_the_structures() -> None:
    """(α_structure - α_stated)·ΔT is added to a thermal output measured on another material."""
    aluminium = FOIL_OUTPUT.model_copy(update={"output_expansion_1e6_per_k": 23.0})
    sheet = calibration("full", temperature=aluminium)
    here = FOIL_OUTPUT.model_copy(update={"output_um_m": (0.8 + EXPANSION - 23.0, -0.05, 0.001)})
    truth = calibration("full", temperature=here)
    climate, (time, strain) = weather(), loading()
    values = 10_000.0 * (1.0 + gauge_delta(truth, strain, time, climate))

    results = recovered(placement("C1"), sheet, values, time, climate)

    assert_recovered(results, strain)


def test_companion_takes_off_climate_and_ageing_but_neither_creep_nor_factor() -> None:
    """δ of the companion comes off; c_k and load creep are still the gauge's own."""
    sheet = calibration("full", CUBIC, temperature=FILM_OUTPUT, creep=CREEP, ageing=AGEING)
    climate, (time, strain) = weather(), loading()
    delta = gauge_delta(sheet, strain, time, climate)
    beside = gauge_delta(sheet, np.zeros(len(time)), time, climate)
    pair = (
        placement("C1", compensation="companion", companion="K1"),
        placement("K1", unstrained=9_000.0),
    )
    plan = compile_plan(structure(pair, (), (sheet,)))
    stream = readings(
        {
            "K1": (time, 9_000.0 * (1.0 + beside)),
            "C1": (time, 10_000.0 * (1.0 + delta)),
            "ts": (climate.time, climate.surface),
        }
    )

    results, _ = run_chain(stream, initial_state(plan), plan)

    own = results.take(results.column("point") == "P-C1")
    assert_recovered(own, strain)
    assert np.isnan(floats(own, "thermal_output")).all()
    assert np.isnan(floats(own, "ageing")).all()
    other = results.take(results.column("point") == "P-K1")
    np.testing.assert_allclose(floats(other, "mechanical"), 0.0, atol=1e-7)
