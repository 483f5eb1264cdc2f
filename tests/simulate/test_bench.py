"""
The simulated bench: its bar, its programme and its gauges, each by hand.
"""

import csv
import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.simulate.bench import BenchData, another_gauge, bench_data, simulate_bench
from pipeline.simulate.bench_course import bench_steps, load_knots
from pipeline.simulate.bench_folder import UNCERTAINTIES, Beam, true_beam
from pipeline.simulate.scenario import Scenario, read_scenario

CANTILEVER = Path(__file__).parents[3] / "shared" / "reference" / "strain" / "cantilever.json"


@pytest.fixture(name="scenario", scope="module")
def _scenario() -> Scenario:
    return read_scenario()


@pytest.fixture(name="made", scope="module")
def _made(scenario: Scenario) -> BenchData:
    return bench_data(scenario, "PC-31", seed=5)


def rows(made: BenchData, table: str, number: int = 0) -> dict[str, npt.NDArray[Any]]:
    """Columns of one gauge."""
    columns = getattr(made, table)
    own = columns["serial"] == made.gauges[number].serial
    return {name: column[own] for name, column in columns.items()}


@pytest.mark.skipif(not CANTILEVER.exists(), reason="the reference figures are not beside the tree")
def test_surface_strain_of_the_bar_is_that_of_the_reference() -> None:
    """Published case `steel`: 10 N, 0.25 m, 25 x 5 mm, 210 GPa; nothing between layer and bar."""
    case = json.loads(CANTILEVER.read_text())["cases"][0]
    beam = Beam(thickness_m=case["thickness_m"], standoff_m=0.0)

    assert beam.strain(case["load_N"] / 9.8123) == pytest.approx(case["surface_strain"], rel=1e-10)


def test_a_layer_above_the_surface_is_strained_more() -> None:
    """0.1 mm above a bar of 3 mm: 6.67 % more (trade: 7 %)."""
    raised = Beam().strain(1.0) / Beam(standoff_m=0.0).strain(1.0)

    assert raised == pytest.approx(1.0 + 0.2 / 3.0)


def test_bars_are_off_by_what_their_sheet_states() -> None:
    """400 bars: each figure's deviation is its stated uncertainty (5 σ of the estimate)."""
    bars = [true_beam(np.random.default_rng(seed)) for seed in range(400)]
    for name, u in UNCERTAINTIES.items():
        found = [getattr(bar, name) for bar in bars]

        assert np.mean(found) == pytest.approx(getattr(Beam(), name), abs=5 * u / 20)
        assert np.std(found) == pytest.approx(u, rel=5 / np.sqrt(800))


def test_steps_go_up_and_down_on_both_sides_through_zero() -> None:
    """0 1 2, held, 1 0, then the other way."""
    steps = bench_steps((0.0, 1.0, 2.0), both_ways=True, holds=1)

    assert [s.mass_kg for s in steps] == [0, 1, 2, 2, 1, 0, -1, -2, -1, 0]
    assert [s.step for s in steps] == list(range(10))
    assert [s.direction for s in steps[:6]] == ["up", "up", "up", "hold", "down", "down"]


def test_a_load_is_changed_just_before_its_row() -> None:
    """0, 1, 1, 0 at every minute: up in the 5 s before 60 s, down in those before 180 s."""
    knots, values = load_knots(np.array([0.0, 60.0, 120.0, 180.0]), np.array([0.0, 1.0, 1.0, 0.0]))

    assert knots.tolist() == [55.0, 60.0, 175.0, 180.0]
    assert values.tolist() == [0.0, 1.0, 1.0, 0.0]


def test_bench_rows_read_what_the_gauge_feels(made: BenchData) -> None:
    """Top of the first run: F(ε) of the true bar and gauge plus its creep, by hand to 1e-3."""
    gauge, table = made.gauges[0], rows(made, "runs")
    strain = made.beam.strain(3.0)
    load = gauge.factor * (20.4 * strain - 950.0 * strain**2 - 2.6e5 * strain**3)
    top = table["resistance_ohm"][6] / table["resistance_ohm"][0] - 1.0

    # Six minutes of creep with 30 min and 8 h add at most 0.3 %, a tenth of a kelvin 4e-5.
    assert 0.0 < top / load - 1.0 < 0.006


def test_chamber_plateaus_read_the_thermal_output(made: BenchData) -> None:
    """At 55 °C after two hours: A = output·(4.1e-4·35 + 1.1e-6·35²), by hand to 1e-4."""
    gauge, table = made.gauges[1], rows(made, "chamber", 1)
    first = table["run"] == "1"
    ohm = table["resistance_ohm"][first]
    warm = ohm[7 * 24 - 1] / ohm[0] - 1.0  # the seventh plateau of 24 rows
    by_hand = gauge.output * (4.1e-4 * 35.0 + 1.1e-6 * 35.0**2)

    assert warm == pytest.approx(by_hand, rel=2e-3)


def test_films_are_wet_after_a_day(made: BenchData) -> None:
    """24 h at 80 %RH with a lag of 5 h: H of w = 0.8 - 0.3·exp(-24/5·…), by hand to 2 %."""
    gauge, table = made.gauges[0], rows(made, "chamber")
    second = table["run"] == "2"
    ohm = table["resistance_ohm"][second]
    end = (6 + 24) * 6 - 1
    w = 0.3 * (1.0 - np.exp(-24 * 3600.0 / (18_000.0 * gauge.lag)))
    by_hand = gauge.moisture * (6.0e-3 * w + 1.5e-3 * w**2)

    assert ohm[end] / ohm[0] - 1.0 == pytest.approx(by_hand, rel=0.02)


def test_the_hold_creeps_and_recovers(made: BenchData) -> None:
    """After a day: creep·(0.012 + 0.018·(1 - e^-3)) of the strain, by hand to 3 %."""
    gauge, table = made.gauges[2], rows(made, "hold", 2)
    loaded = np.flatnonzero(table["strain_um_m"] != 0.0)
    ohm = table["resistance_ohm"]
    start = ohm[loaded[0]] - ohm[loaded[0] - 1]
    grown = gauge.creep * (0.012 + 0.018 * (1.0 - np.exp(-86_400.0 / 28_800.0)))
    # δ bends: a share of strain shows as F'(ε)·ε/F(ε) of it in δ, at 600 µm/m.
    e = 6e-4
    slope = (20.4 - 1900.0 * e - 7.8e5 * e**2) * e / (20.4 * e - 950.0 * e**2 - 2.6e5 * e**3)

    assert (ohm[loaded[-1]] - ohm[loaded[0]]) / start == pytest.approx(grown * slope, rel=0.03)
    assert abs(ohm[-1] - ohm[0]) < 0.3 * grown * start


def test_the_same_seed_is_the_same_bench_and_another_is_not(scenario: Scenario) -> None:
    """Columns, gauges and bar are functions of the seed."""
    one, same, other = (bench_data(scenario, "PC-32", seed=s) for s in (8, 8, 9))

    assert np.array_equal(one.chamber["resistance_ohm"], same.chamber["resistance_ohm"])
    assert (one.gauges, one.beam) == (same.gauges, same.beam)
    assert {g.factor for g in one.gauges}.isdisjoint(g.factor for g in other.gauges)


def test_a_field_gauge_was_never_on_the_bench(scenario: Scenario) -> None:
    """With the bench's own seed the field gauge of the batch is still another draw."""
    on_bench = {gauge.factor for gauge in bench_data(scenario, "PC-31", seed=5).gauges}
    field = another_gauge(scenario, "PC-31", 5)

    assert field.factor not in on_bench
    assert field.batch == "PC-31"
    assert another_gauge(scenario, "PC-31", 5) == field


@pytest.mark.slow
def test_gauges_of_many_benches_spread_as_their_batch(scenario: Scenario) -> None:
    """90 gauges of PC-31: 3 % of the factor, 5 % of moisture (5 σ of the estimate)."""
    taken = [g for seed in range(30) for g in bench_data(scenario, "PC-31", seed=seed).gauges]
    few = 5 / np.sqrt(2 * len(taken))

    assert np.std([g.factor for g in taken]) == pytest.approx(0.03, rel=few)
    assert np.std([g.moisture for g in taken]) == pytest.approx(0.05, rel=few)


def test_foil_has_no_humidity_programme(scenario: Scenario) -> None:
    """A foil batch reads ratios, in temperature runs only, without a foil gauge beside it."""
    made = bench_data(scenario, "FO-14", seed=2)

    assert set(made.chamber["segment"].tolist()) == {"temperature"}
    assert "ratio" in made.chamber
    assert set(made.runs["reference"].tolist()) == {""}


@pytest.mark.slow
def test_the_folder_holds_what_is_in_memory(tmp_path: Path, scenario: Scenario) -> None:
    """Five files; every cell of runs.csv and chamber.csv reads back to the same number."""
    made = simulate_bench(scenario, "PC-31", seed=6, out=tmp_path / "bench")
    sheet = tomllib.loads((tmp_path / "bench" / "bench.toml").read_text())
    assert sheet["calibration"]["batch"] == "PC-31"
    for name in ("runs", "chamber", "hold", "rest"):
        columns = getattr(made, name)
        with (tmp_path / "bench" / f"{name}.csv").open(encoding="utf-8") as file:
            read = list(csv.DictReader(file))

        assert [float(r["temperature_c"]) for r in read] == columns["temperature_c"].tolist()
        assert [float(r["resistance_ohm"] or "nan") for r in read] == pytest.approx(
            columns["resistance_ohm"].tolist(), nan_ok=True, abs=0.0
        )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"batch": "PC-99"}, 'no batch "PC-99"'),
        ({"gauges": 0}, "at least one gauge"),
        ({"steps": (0.5, 1.0)}, "rise from 0"),
        ({"steps": (0.0, 1.0, 1.0)}, "rise from 0"),
    ],
)
def test_what_cannot_be_simulated_is_refused(
    scenario: Scenario, change: dict[str, object], message: str
) -> None:
    """Says what is wrong and what there is."""
    settings: dict[str, object] = {"batch": "PC-31", **change}

    with pytest.raises(ValueError, match=message):
        bench_data(scenario, **settings)  # type: ignore[arg-type]  # each case spoils one


def test_a_scenario_without_foil_has_no_reference(scenario: Scenario) -> None:
    """No foil lot: no [reference] and no rows of one."""
    printed = {k: b for k, b in scenario.batches.items() if not b.thermal_output_um_m}
    made = bench_data(replace(scenario, batches=printed), "PC-31", seed=1)

    assert "[reference]" not in made.sheet
    assert "yes" not in made.runs["reference"].tolist()
