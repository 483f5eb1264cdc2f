"""
Vehicles: strain from axles by hand, stops of a load test, and traffic by the hour.
"""

import numpy as np
import pytest

from pipeline.simulate.events import Event, vehicles
from pipeline.simulate.scenario import Structure, read_scenario
from pipeline.simulate.vehicles import Vehicle, load_strain, standing_vehicle, traffic

SECOND = 1_000_000
HOUR = 3600 * SECOND
MORNING = 495_000 * HOUR + 9 * HOUR


@pytest.fixture(name="beam", scope="module")
def _beam() -> Structure:
    return read_scenario().structures["quill-beam"]


@pytest.fixture(name="deck", scope="module")
def _deck() -> Structure:
    return read_scenario().structures["quill-deck"]


def test_midspan_strain_of_the_beam_by_hand(beam: Structure) -> None:
    """
    48 kN in the middle of 6 m: M = P·L/4 = 72 kN·m, ε = M·y/(E·I), y = 0.1 m.

    72e3·0.1/(2.1e11·5.7e-5) = 601.5 µm/m.
    """
    parked = vehicles(beam, [Event("overload", 100 * SECOND, 160 * SECOND)])
    time = np.array([130 * SECOND])
    bottom = load_strain(beam, beam.point_named("qb-mid-foil"), parked, time)
    top = load_strain(beam, beam.point_named("qb-quarter-top"), parked, time)

    assert bottom[0] * 1e6 == pytest.approx(72e3 * 0.1 / (2.1e11 * 5.7e-5) * 1e6)
    assert top[0] == pytest.approx(-bottom[0] / 2)


def test_two_axles_add_up(deck: Structure) -> None:
    """The strain under two axles is the sum of the strains under each alone."""
    point = deck.point_named("qd-g1-s1-bot")
    path = ((0, 10 * SECOND), (0.0, 60.0))
    time = np.arange(0, 10, 1) * SECOND
    both = load_strain(deck, point, [Vehicle((5e4, 8e4), (0.0, 4.0), *path)], time)
    first = load_strain(deck, point, [Vehicle((5e4,), (0.0,), *path)], time)
    second = load_strain(deck, point, [Vehicle((8e4,), (4.0,), *path)], time)

    assert both == pytest.approx(first + second)
    assert np.abs(both).max() > 1e-5


def test_girders_share_a_vehicle_as_stated(deck: Structure) -> None:
    """G1 carries 0.75 and G2 0.25: strains at the same section are as 3 to 1."""
    parked = vehicles(deck, [Event("overload", 0, 60 * SECOND)])
    time = np.array([30 * SECOND])
    g1 = load_strain(deck, deck.point_named("qd-g1-s2-bot"), parked, time)
    g2 = load_strain(deck, deck.point_named("qd-g2-s2-bot"), parked, time)

    assert g1[0] / g2[0] == pytest.approx(3.0)


def test_a_free_piece_of_steel_feels_no_vehicle(deck: Structure) -> None:
    """The companion plate carries no load."""
    parked = vehicles(deck, [Event("overload", 0, 60 * SECOND)])
    found = load_strain(deck, deck.point_named("qd-companion"), parked, np.array([SECOND]))

    assert found.tolist() == [0.0]


def test_a_standing_vehicle_keeps_its_stops_exactly(deck: Structure) -> None:
    """Between arriving and leaving the middle of its axles stands where it was told."""
    lorry = standing_vehicle(
        deck, 3e5, 3, 2.0, [(HOUR, HOUR + 60 * SECOND, 12.0), (2 * HOUR, 3 * HOUR, 36.0)]
    )
    middle = np.interp([HOUR, HOUR + 60 * SECOND, 2.5 * HOUR], lorry.time_us, lorry.front_m) - 2.0

    assert middle.tolist() == [12.0, 12.0, 36.0]
    assert lorry.front_m[0] == 0.0
    assert lorry.front_m[-1] == pytest.approx(48.0 + 4.0)
    assert sum(lorry.axle_n) == pytest.approx(3e5)


def test_stops_out_of_order_are_refused(deck: Structure) -> None:
    """A vehicle cannot be in two places at a time."""
    with pytest.raises(ValueError, match="follow each other in time"):
        standing_vehicle(deck, 1e5, 1, 1.0, [(100, 50, 12.0)])


def test_a_load_test_stands_in_each_span_in_turn(deck: Structure) -> None:
    """First the point in span 1 is pulled most, then the one in span 2."""
    test = vehicles(deck, [Event("load_test", 0, 21 * 60 * SECOND)])
    time = np.array([5, 16]) * 60 * SECOND
    first = load_strain(deck, deck.point_named("qd-g1-s1-bot"), test, time)
    second = load_strain(deck, deck.point_named("qd-g1-s2-bot"), test, time)

    assert first[0] > 1e-4 > 0 > first[1]
    assert second[1] > 1e-4 > 0 > second[0]


def test_traffic_may_be_cut_anywhere(deck: Structure) -> None:
    """Vehicles of two pieces are the vehicles of the whole, in order."""
    cut = MORNING + HOUR // 3
    whole = traffic(deck, 1, MORNING, MORNING + 3 * HOUR)
    parts = (*traffic(deck, 1, MORNING, cut), *traffic(deck, 1, cut, MORNING + 3 * HOUR))

    assert whole == parts
    assert len(whole) > 20


def test_nights_are_quiet_and_days_meet_the_stated_rate(deck: Structure) -> None:
    """At noon about 22 vehicles an hour, at 2 o'clock about 3 (5 σ of a Poisson count)."""
    day = 24 * HOUR
    noon = sum(len(traffic(deck, 1, d * day + 12 * HOUR, d * day + 13 * HOUR)) for d in range(100))
    night = sum(len(traffic(deck, 1, d * day + 2 * HOUR, d * day + 3 * HOUR)) for d in range(100))

    assert noon == pytest.approx(2200, abs=5 * np.sqrt(2200) + 60)
    assert night == pytest.approx(330, abs=5 * np.sqrt(330))


@pytest.mark.slow
def test_everyday_vehicles_stay_below_the_limit(deck: Structure) -> None:
    """No vehicle of 30 days brings a point of the deck near 400 µm/m by itself."""
    point = deck.point_named("qd-g1-s1-bot")
    largest = 0.0
    for vehicle in traffic(deck, 1, MORNING, MORNING + 720 * HOUR):
        time = np.arange(vehicle.time_us[0], vehicle.time_us[-1], SECOND // 5)
        largest = max(largest, float(load_strain(deck, point, [vehicle], time).max()))

    assert 80e-6 < largest < 250e-6
