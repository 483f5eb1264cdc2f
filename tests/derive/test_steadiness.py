"""
Each criterion of a steady window holds just inside its limit and fails just beyond it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.blocks import Readings, concat_readings
from pipeline.derive.state import ChainState
from pipeline.derive.steadiness import Criterion, criteria_of
from pipeline.derive.zeroing import Statement, solve_zero
from pipeline.site.models import Placement
from tests.derive.examples import FOIL, FULL, START_US, film, foil, structure
from tests.derive.streams import readings

Floats = npt.NDArray[np.float64]
TIME = np.arange(0.0, 3600.0, 30.0)
FACTOR = 2.1
NIGHT = np.full(len(TIME), 20.0)


def foil_stream(strain_um_m: Floats, temperature: Floats = NIGHT) -> Readings:
    """The foil gauge at these strains, in a balanced bridge without leads."""
    output = 2.1e-6 * np.polyval([0.001, -0.05, 0.8, 0.0], temperature - 20.0)
    delta = FACTOR * strain_um_m * 1e-6 * (1.0 + 1e-4 * (temperature - 20.0)) + output
    return readings({"F1": (TIME, 0.5 * delta / (2.0 + delta)), "ts": (TIME, temperature)})


def judged(
    read: Readings, gauge: Placement | None = None, strain_u_um_m: float = 0.0
) -> dict[str, Criterion]:
    """Every criterion by its name."""
    installed = gauge or foil(unstrained=0.0, lead_ohm=0.0, unstrained_temperature_c=None)
    sheet = FOIL if installed.calibration == "foil" else FULL
    statement = Statement(installed.serial, START_US, START_US + 3600_000_000, 0.0)
    site = structure((installed,), (), (sheet,), interval_s=30.0)
    solution = solve_zero(site, read, ChainState(), statement)
    assert solution is not None
    return {c.name: c for c in criteria_of(solution.window, len(TIME), strain_u_um_m)}


def failing(found: dict[str, Criterion]) -> set[str]:
    """Names of those that do not hold."""
    return {name for name, criterion in found.items() if not criterion.holds}


def test_a_still_night_holds_every_criterion() -> None:
    """Steady readings in a steady climate: all hold, and all are told."""
    found = judged(foil_stream(np.zeros(len(TIME))))

    assert failing(found) == set()
    assert set(found) == {
        "readings",
        "compensation missing",
        "flagged 3 or 4",
        "not settled (warm_up)",
        "drift over the window",
        "scatter",
        "temperature change",
    }


@pytest.mark.parametrize(("drift", "fails"), [(0.97, False), (1.03, True), (-1.03, True)])
def test_drift_is_what_the_window_gains_from_end_to_end(drift: float, fails: bool) -> None:
    """u of this foil is 0.52 µm/m (1e-6/2.1 and the thermometer), so that 1 µm/m is allowed."""
    found = judged(foil_stream(drift * TIME / TIME[-1]))

    assert failing(found) == ({"drift over the window"} if fails else set())
    assert found["drift over the window"].found == f"{drift:+.2f} µm/m"


@pytest.mark.parametrize(("scatter", "fails"), [(0.95, False), (1.05, True)])
def test_scatter_is_about_the_line(scatter: float, fails: bool) -> None:
    """Readings that jump between two values are that far from their middle."""
    found = judged(foil_stream(scatter * np.where(np.arange(len(TIME)) % 2, 1.0, -1.0)))

    assert failing(found) == ({"scatter"} if fails else set())


def test_a_strain_that_is_hardly_known_allows_more_motion() -> None:
    """Who states a strain to 5 µm/m cannot be wrong by a drift of 4."""
    read = foil_stream(4.0 * TIME / TIME[-1])

    assert failing(judged(read)) == {"drift over the window"}
    assert failing(judged(read, strain_u_um_m=5.0)) == set()


@pytest.mark.parametrize(("warming", "fails"), [(1.95, False), (2.05, True)])
def test_a_warming_member_is_told_even_if_its_reading_stays(warming: float, fails: bool) -> None:
    """From the coldest to the warmest moment of the window."""
    found = judged(foil_stream(np.zeros(len(TIME)), 20.0 + warming * TIME / TIME[-1]))

    assert failing(found) == ({"temperature change"} if fails else set())


@pytest.mark.parametrize(("kept", "fails"), [(60, False), (59, True)])
def test_half_of_the_expected_readings_must_be_there(kept: int, fails: bool) -> None:
    """60 of 120; no reason of a person makes up for fewer."""
    read = foil_stream(np.zeros(len(TIME)))
    codes, names = read.channel_codes()
    mine = np.array([name == "F1" for name in names])[codes]
    place = np.cumsum(mine) - 1
    found = judged(read.take(~mine | (place % 2 == 0) & (place < 2 * kept)))

    assert ("readings" in failing(found)) is fails
    assert found["readings"].is_absolute


def test_missing_compensation_is_absolute() -> None:
    """A foil whose temperature is missing for a quarter of the window serves for no zero."""
    read = foil_stream(np.zeros(len(TIME)))
    codes, names = read.channel_codes()
    is_climate = np.array([name == "ts" for name in names])[codes]
    late = read.column("time").astype(np.int64) > START_US + 1800_000_000
    found = judged(read.take(~(is_climate & late)))

    assert "compensation missing" in failing(found)
    assert found["compensation missing"].found == "24.2 %"  # 29 of 120 are older than 2700 s
    assert found["compensation missing"].is_absolute


def test_a_film_that_has_just_started_is_not_settled() -> None:
    """Its moisture is known to ±0.29 at first; an engineer may take it all the same."""
    read = readings(
        {
            "C1": (TIME, np.full(len(TIME), 10_000.0)),
            "ts": (TIME, 17.0),
            "ta": (TIME, 17.0),
            "rh": (TIME, 62.0),
        }
    )
    found = judged(read, film(leakage_ohm=None))

    assert "not settled (warm_up)" in failing(found)
    assert not found["not settled (warm_up)"].is_absolute


def test_a_test_that_the_readings_fail_is_named() -> None:
    """A node that contradicts itself makes its readings suspect, and the criterion says by what."""
    read = foil_stream(np.zeros(len(TIME)))
    codes, names = read.channel_codes()
    mine = read.take(np.array([name == "F1" for name in names])[codes])
    other = Readings.from_columns(
        mine.column("time"),
        ["F1"] * len(mine),
        np.asarray(mine.column("value"), np.float64) + 1e-9,
        mine.column("received") + 1,
    )
    found = judged(concat_readings([read, other]))

    assert failing(found) == {"flagged 3 or 4"}
    assert found["flagged 3 or 4"].found == "100.0 % (contradiction)"
