"""
`config/quillmere` describes what the scenario is: names, nodes, and honest estimates.
"""

from pathlib import Path

import numpy as np
import pytest

from pipeline.simulate.electrics import measured
from pipeline.simulate.gauge import curve, gauge_delta, thermal_output
from pipeline.simulate.scenario import Batch, Gauge, Scenario, microseconds, read_scenario
from pipeline.site.models import Placement, Site, Structure
from pipeline.site.read import read_site
from tests.simulate.by_hand import (
    YEAR_S,
    calibration_of,
    delta_of,
    environment,
    estimated_curve,
)

FOLDER = Path(__file__).parents[2] / "config" / "quillmere"


@pytest.fixture(name="site", scope="module")
def _site() -> Site:
    return read_site(FOLDER)


@pytest.fixture(name="scenario", scope="module")
def _scenario() -> Scenario:
    return read_scenario()


def strain_gauges(site: Site, scenario: Scenario) -> list[tuple[Structure, Placement, Gauge]]:
    """Every strain gauge as configured and as it truly is."""
    pairs = []
    for structure in site.structures:
        true = {g.serial: g for g in scenario.structures[structure.id].gauge}
        pairs += [(structure, p, true[p.serial]) for p in structure.placements if p.serial in true]
    return pairs


def test_channels_nodes_and_units_are_those_that_are_sent(site: Site, scenario: Scenario) -> None:
    """Same ids, nodes, units, intervals and converter ends on both sides."""
    for structure in site.structures:
        told = {
            (c.id, c.node, c.unit, c.interval_s, c.rail_low, c.rail_high)
            for c in structure.channels
        }
        true = {
            (c.id, c.node, c.unit, c.interval_s, c.low, c.high)
            for c in scenario.structures[structure.id].channel
        }

        assert told == true


def test_gauges_sit_where_the_scenario_has_them(site: Site, scenario: Scenario) -> None:
    """Serial, batch, point, channel, wiring, leads, leakage and dates agree for all gauges."""
    pairs = strain_gauges(site, scenario)
    for _, placement, true in pairs:
        assert (placement.batch, placement.point, placement.channel, placement.wiring) == (
            true.batch,
            true.point,
            true.channel,
            true.wiring,
        )
        assert placement.lead_ohm == true.lead_ohm
        assert placement.leakage_ohm == true.leakage_ohm
        assert microseconds(placement.valid_from) == true.start_us
        if placement.valid_to is not None:
            assert microseconds(placement.valid_to) == true.end_us

    assert len(pairs) == 18


def test_points_lie_where_the_scenario_has_them(site: Site, scenario: Scenario) -> None:
    """Position along the span and expansion agree for all strain points."""
    for structure in site.structures:
        true = scenario.structures[structure.id]
        for point in structure.points:
            if point.quantity == "strain":
                assert point.x_m == true.point_named(point.id).x_m
                assert point.expansion_1e6_per_k == true.point_named(point.id).expansion_1e6_per_k


def test_estimates_differ_from_the_truth_within_their_uncertainty(
    site: Site, scenario: Scenario
) -> None:
    """Curve at 500 µm/m and thermal slope: every gauge within 2.5 u, and none exactly right."""
    for structure, placement, true in strain_gauges(site, scenario):
        calibration, batch = calibration_of(structure, placement), scenario.batches[true.batch]
        told, u = estimated_curve(calibration, 5e-4)
        real = float(curve(batch, true.factor, 5e-4))

        assert 0 < abs(told - real) < 2.5 * u
        if calibration.temperature is not None and calibration.temperature.output:
            slope = calibration.temperature.output[0]
            real_slope = true.output * batch.output[0]

            assert 0 < abs(slope - real_slope) < 2.5 * calibration.temperature.output_u * abs(slope)


def test_zeros_bring_the_reading_to_the_known_strain(site: Site, scenario: Scenario) -> None:
    """
    The true gauge at the zero's climate, undone by the calibration, shows the stated strain.

    To 2.5 u of the offset: what is left is what the person could not know.
    """
    for structure, placement, true in strain_gauges(site, scenario):
        batch, calibration = scenario.batches[true.batch], calibration_of(structure, placement)
        alpha = scenario.structures[structure.id].point_named(true.point).expansion_1e6_per_k or 12
        zero = next(z for z in structure.zeros if z.serial == placement.serial)
        T = 17.0 if placement.serial == "PC32-07" else zero.temperature_c
        w = 0.71 if placement.serial == "PC32-07" else 0.62
        age = (zero.valid_from - placement.valid_from).total_seconds()
        strain = zero.known_strain_um_m * 1e-6
        delta = true_delta(batch, true, strain, T, w, age, alpha)
        reading = measured(true, np.array([delta]))
        left = delta_of(calibration, placement, reading, alpha)[0] - zero.offset_delta
        years = np.array([age / YEAR_S])
        left -= environment(calibration, np.array([T]), np.array([w]), years, alpha)[0]

        assert abs(left - estimated_curve(calibration, strain)[0]) < 2.5 * zero.offset_delta_u


def true_delta(
    batch: Batch, gauge: Gauge, strain: float, T: float, w: float, age: float, alpha: float
) -> float:
    """δ of the true gauge for one state."""
    state = [np.array([x]) for x in (strain, T, w, age)]
    return float(gauge_delta(batch, gauge, state[0], state[1], state[2], state[3], alpha)[0])


def test_foil_sheets_are_stated_on_another_material(site: Site, scenario: Scenario) -> None:
    """The foil lots' sheets hold for α = 11, the deck has 12: the chain must add the difference."""
    foil = scenario.batches["FO-14"]
    gauge = next(g for g in scenario.structures["quill-deck"].gauge if g.serial == "FO14-101")
    warm = np.array([30.0])
    difference = thermal_output(foil, gauge, 12.0, warm) - thermal_output(foil, gauge, 11.0, warm)
    told = next(c for c in site.structures[0].calibrations if c.id == "cal-fo14").temperature

    assert told is not None
    assert told.output_expansion_1e6_per_k == foil.thermal_output_expansion == 11.0
    assert difference[0] / 2.08e-5 == pytest.approx(1.0, rel=0.02)


def test_all_four_kinds_of_rule_are_there_with_their_grounds(site: Site) -> None:
    """Each structure has every kind, and no text that a person needs is empty."""
    for structure in site.structures:
        assert {r.kind for r in structure.rules} == {"level", "silent", "gauge_fault", "station"}
        for rule in structure.rules:
            for text in (rule.basis, rule.cause, rule.consequence, rule.response):
                assert len(text) > 20
