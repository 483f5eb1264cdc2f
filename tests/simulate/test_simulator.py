"""
The whole simulator: cuts and seeds, truth untouched by faults, and readings inverted by force.
"""

import math
import tomllib
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from pipeline.simulate.events import Event
from pipeline.simulate.faults import Fault
from pipeline.simulate.scenario import SCENARIO_FOLDER, Scenario, read_scenario
from pipeline.simulate.simulator import NodeReadings, Simulator, simulate
from pipeline.simulate.truth import Truth

HOUR = 3_600_000_000
START = 1_784_937_600_000_000  # 2026-07-25T00:00:00Z
TABLE = tomllib.loads((SCENARIO_FOLDER / "quillmere.toml").read_text(encoding="utf-8"))


@pytest.fixture(name="scenario", scope="module")
def _scenario() -> Scenario:
    return read_scenario()


def noiseless(scenario: Scenario) -> Scenario:
    """The scenario with perfect loggers."""
    structures = {
        name: replace(
            structure,
            channel=tuple(
                replace(c, noise=0.0, bias=0.0, step=1e-12, low=-1e9, high=1e9)
                for c in structure.channel
            ),
        )
        for name, structure in scenario.structures.items()
    }
    return replace(scenario, structures=structures)


def series(nodes: dict[str, NodeReadings], channel: str) -> tuple[np.ndarray, np.ndarray]:
    """True times and values of one channel."""
    for readings in nodes.values():
        for code, found in enumerate(readings.channels):
            if found.id == channel:
                rows = readings.channel == code
                return readings.true_us[rows], readings.value[rows]
    raise AssertionError(f"no channel {channel}")


def rows_of(readings: NodeReadings) -> list[tuple[int, int, float]]:
    """Stamp, channel code and value of every reading."""
    return list(
        zip(
            readings.time_us.tolist(),
            readings.channel.tolist(),
            readings.value.tolist(),
            strict=True,
        )
    )


@pytest.mark.slow
def test_readings_may_be_cut_anywhere(scenario: Scenario) -> None:
    """Three uneven pieces hold the same readings as the whole, faults and events included."""
    simulator = Simulator(
        scenario,
        "quill-deck",
        START,
        START + 6 * HOUR,
        seed=4,
        events=[Event("overload", START + HOUR, START + 2 * HOUR)],
        faults=[
            Fault("stuck", "n1-g1s1-b", START + HOUR, START + 3 * HOUR),
            Fault("spikes", "n1-g1-t", START, START + 6 * HOUR, 5.0),
            Fault("clock_jump", "deck-n2", START + HOUR, START + 2 * HOUR, 600.0),
        ],
    )
    whole = simulator.readings(START, START + 6 * HOUR)
    cuts = [START, START + 7_777_777_777, START + 7_900_000_000, START + 6 * HOUR]
    for node, readings in whole.items():
        parts = [
            row
            for first, last in pairwise(cuts)
            for row in rows_of(simulator.readings(first, last)[node])
        ]

        assert parts == rows_of(readings)


@pytest.mark.slow
def test_the_seed_decides_everything(scenario: Scenario) -> None:
    """Equal seeds give equal readings, another seed other weather and noise."""
    first, again, other = (
        simulate(scenario, "quill-beam", START, START + HOUR, seed=seed) for seed in (1, 1, 2)
    )

    assert rows_of(first.nodes["beam-n1"]) == rows_of(again.nodes["beam-n1"])
    assert rows_of(first.nodes["beam-n1"]) != rows_of(other.nodes["beam-n1"])


def test_faults_change_what_is_sent_and_never_the_truth(scenario: Scenario) -> None:
    """With a broken gauge and a silent node the truth is that of a sound day."""
    faults = [
        Fault("open", "b1-midfoil-b", START, START + HOUR),
        Fault("silence", "b1-steel-t", START, START + HOUR),
    ]
    sound = simulate(scenario, "quill-beam", START, START + HOUR)
    broken = simulate(scenario, "quill-beam", START, START + HOUR, faults=faults)

    assert broken.truth.mechanical.tobytes() == sound.truth.mechanical.tobytes()
    assert set(series(broken.nodes, "b1-midfoil-b")[1].tolist()) == {0.004}
    assert len(series(broken.nodes, "b1-steel-t")[0]) == 0


def power(coefficients: list[float], x: float) -> float:
    """Σ cᵢ·xⁱ, i from 1."""
    return math.fsum(c * x ** (i + 1) for i, c in enumerate(coefficients))


def reading_of(
    gauge: dict[str, Any], batch: dict[str, Any], eps: float, T: float, w: float, age: float
) -> float:
    """The formula of the trade for one reading, in scalars and from the file's own numbers."""
    d = T - 20
    delta = gauge["factor"] * power(batch["curve"], eps) * (1 + batch["factor_per_k"] * d)
    if "output" in batch:
        years = age / (365.25 * 86_400)
        course = math.log(1 + years) if batch["ageing"] == "logarithmic" else years
        delta += gauge["output"] * power(batch["output"], d)
        delta += gauge["moisture"] * power(batch["moisture"], w - 0.5)
        delta += gauge["ageing"] * batch["ageing_per_year"] * course
    else:
        sheet = power(batch["thermal_output_um_m"], d) + gauge["output_um_m_per_k"] * d
        delta += 2e-6 * sheet + gauge["factor"] * batch["curve"][0] * 1e-6 * d
    R = gauge["resistance_ohm"] * (1 + delta + gauge["offset"])
    lead = gauge.get("lead_ohm", 0.0)
    if gauge["wiring"] == "quarter_3wire":
        other = gauge["resistance_ohm"] * (1 - gauge["imbalance"]) + lead
        return float((R + lead) / (R + lead + other) - 0.5)
    leak = gauge.get("leakage_ohm", math.inf)
    R = 1 / (1 / R + 1 / leak)
    return float(R + (2 * lead if gauge["wiring"] == "resistance_2wire" else 0.0))


def strain_by_force(value: float, *rest: Any) -> float:
    """Strain at which the formula gives this reading, by halving an interval."""
    low, high = -1.2e-3, 1.5e-3
    for _ in range(80):
        middle = (low + high) / 2
        if reading_of(rest[0], rest[1], middle, *rest[2:]) < value:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def inverted(truth: Truth, nodes: dict[str, NodeReadings], row: dict[str, Any], i: int) -> float:
    """The strain [µm/m] that the reading i of a gauge's channel means."""
    batch = next(b for b in TABLE["batch"] if b["id"] == row["batch"])
    time, value = series(nodes, row["channel"])
    at = truth.of(row["point"])
    j = int(np.searchsorted(at.time_us, time[i]))
    age = time[i] * 1e-6 - row["from"].timestamp()
    eps = strain_by_force(value[i], row, batch, at.temperature[j], at.moisture[j], age)
    return (eps * 1e6 - at.mechanical[j]) if j < len(at.time_us) else math.nan


@pytest.mark.parametrize("structure", ["quill-deck", "quill-beam"])
def test_readings_inverted_by_force_give_the_truth(scenario: Scenario, structure: str) -> None:
    """
    Every gauge under an overload: the formula halved back to strain meets truth and creep.

    Foil to 1e-4 µm/m; printed gauges show besides what creep adds: at most 4 % of the strain.
    """
    begin = START + 2 * HOUR
    events = [Event("overload", begin, begin + HOUR)]
    done = simulate(
        noiseless(scenario), structure, begin, begin + HOUR // 2, events=events, interval_s=600.0
    )
    table = next(s for s in TABLE["structure"] if s["id"] == structure)
    checked = 0
    for row in table["gauge"]:
        if "to" in row or row["point"] == "qd-slab-s1":
            continue
        left = inverted(done.truth, done.nodes, row, 2)
        strain = done.truth.of(row["point"]).mechanical[2]

        assert abs(left) <= (1e-4 if row["batch"].startswith("FO") else 0.04 * abs(strain) + 1e-4)
        checked += 1

    assert checked == {"quill-deck": 12, "quill-beam": 4}[structure]


def test_creep_grows_under_a_held_load_as_its_series_says(scenario: Scenario) -> None:
    """A printed gauge under 601.5 µm/m for an hour shows Σ f·(1 - exp(-t/τ)) more, by hand."""
    begin = START + 2 * HOUR
    events = [Event("overload", begin, begin + 2 * HOUR)]
    done = simulate(
        noiseless(scenario), "quill-beam", begin, begin + 2 * HOUR, events=events, interval_s=600.0
    )
    row = next(g for g in TABLE["structure"][1]["gauge"] if g["serial"] == "PC31-12")
    shares = 0.012 * (1 - math.exp(-3600 / 1800)) + 0.018 * (1 - math.exp(-3600 / 28_800))
    by_hand = row["creep"] * shares * 601.5

    # The load comes on over the seconds in which it drives in.
    assert inverted(done.truth, done.nodes, row, 6) == pytest.approx(by_hand, abs=0.02)


def test_restrained_share_of_the_expansion_is_mechanical(scenario: Scenario) -> None:
    """Free plate: mechanical 0. Pier, 20 % held back: -0.2·12·(T - 9), total 0.8·12·(T - 9)."""
    calm = replace(
        scenario,
        structures={"d": replace(scenario.structures["quill-deck"], id="d", traffic_per_h=0.0)},
    )
    truth = simulate(calm, "d", START, START + HOUR, interval_s=300.0).truth
    pier, plate = truth.of("qd-g1-pier-bot"), truth.of("qd-companion")

    assert pier.mechanical == pytest.approx(-0.2 * 12 * (pier.temperature - 9.0))
    assert pier.total == pytest.approx(0.8 * 12 * (pier.temperature - 9.0))
    assert set(plate.mechanical.tolist()) == {0.0}
    assert plate.total == pytest.approx(12 * (plate.temperature - 9.0))


def test_a_replaced_gauge_leaves_a_gap_and_goes_on(scenario: Scenario) -> None:
    """Between the old gauge's end and the new one's start its channel sends nothing."""
    day = 1_784_505_600_000_000  # 2026-07-20T00:00:00Z
    done = simulate(scenario, "quill-deck", day, day + 24 * HOUR)
    time, value = series(done.nodes, "n3-g2s1-ohm")
    hours = (time - day) / HOUR

    assert not ((hours >= 8) & (hours < 14)).any()
    assert len(time) == 18 * 60
    assert abs(value[hours >= 14].mean() - value[hours < 8].mean()) > 10_000


def test_a_wrong_target_or_structure_is_named() -> None:
    """The message lists what there is."""
    scenario = read_scenario()
    with pytest.raises(ValueError, match=r'no structure "x".*quill-beam, quill-deck'):
        Simulator(scenario, "x", START, START + 1)
    with pytest.raises(ValueError, match=r'fault open of "deck-n1": no such target'):
        Simulator(scenario, "quill-deck", START, START + 1, faults=[Fault("open", "deck-n1", 0, 1)])
    with pytest.raises(ValueError, match="span is empty"):
        Simulator(scenario, "quill-deck", START, START)
