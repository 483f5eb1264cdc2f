"""
A zero brings a gauge to the stated strain, with an honest uncertainty, and leaves the past alone.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.blocks import Readings
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.state import ChainState
from pipeline.derive.zeroing import Solution, Statement, solve_zero
from pipeline.site.models import Structure, Zero
from tests.derive.examples import (
    FILM_OUTPUT,
    FOIL,
    FULL,
    START_US,
    film,
    foil,
    structure,
    zero,
)
from tests.derive.forward import Climate, commissioned, gauge_delta
from tests.derive.streams import assert_close, busy_day, floats, readings, slow

Floats = npt.NDArray[np.float64]
TIME = np.arange(0.0, 7200.0, 30.0)
TRUE_OFFSET = 3.1e-4


def climate() -> Climate:
    """A cool night that warms a little."""
    t = np.arange(0.0, 7200.0, 120.0)
    return Climate(t, slow(t, 11.0, 0.5, 2.0), slow(t, 10.0, 0.5, 3.0), slow(t, 60.0, 5.0, 4.0))


def stream(channel: str, values: Floats) -> Readings:
    """A gauge's values with that climate."""
    sky = climate()
    return readings(
        {
            channel: (TIME, values),
            "ts": (sky.time, sky.surface),
            "ta": (sky.time, sky.air),
            "rh": (sky.time, sky.humidity),
        }
    )


def printed(strain: Floats) -> tuple[Structure, Readings]:
    """A printed gauge with everything there is, at that strain [m/m], TRUE_OFFSET off."""
    delta = gauge_delta(FULL, strain, TIME, climate(), offset=TRUE_OFFSET)
    resistance = 10_000.0 * (1.0 + delta) / commissioned(FULL, 17.0, 62.0)
    gauge = film(leakage_ohm=None)
    return structure((gauge,), (), (FULL,), interval_s=30.0), stream("C1", resistance)


def bridged(delta: Floats, **figures: float) -> tuple[Structure, Readings]:
    """The foil gauge in a balanced bridge without leads, at that δ against its unstrained value."""
    gauge = foil(unstrained=0.0, lead_ohm=0.0, unstrained_temperature_c=None, **figures)
    values = 0.5 * delta / (2.0 + delta)  # e = ½·(x - 1)/(x + 1), x = 1 + δ
    return structure((gauge,), (), (FOIL,), interval_s=30.0), stream("F1", values)


def stated(serial: str, strain: float, start_s: float = 0.0, **more: float) -> Statement:
    """That strain from `start_s` to the end of the stream."""
    start = START_US + round(start_s * 1e6)
    return Statement(serial, start, START_US + 7200_000_000, strain, **more)


def solved(installed: Structure, read: Readings, statement: Statement) -> Solution:
    """From a cold start."""
    solution = solve_zero(installed, read, ChainState(), statement)
    assert solution is not None
    return solution


def as_zero(solution: Solution, statement: Statement) -> Zero:
    """The line that would be written."""
    assert solution.temperature_c is not None
    after_h = (statement.start_us - START_US) / 3.6e9
    return zero(
        statement.serial,
        after_h,
        offset_delta=solution.offset,
        offset_delta_u=solution.offset_u,
        temperature_c=solution.temperature_c,
    )


@pytest.mark.parametrize("strain_um_m", [0.0, 240.0, -600.0])
def test_the_offset_that_was_put_in_is_found(strain_um_m: float) -> None:
    """Forward model with PCHIP curve, c_k, A, H, creep, ageing and an offset: the offset comes."""
    installed, read = printed(np.full(len(TIME), strain_um_m * 1e-6))
    solution = solved(installed, read, stated("C1", strain_um_m * 1e-6))

    assert solution.offset == pytest.approx(TRUE_OFFSET, abs=1e-12)


@pytest.mark.parametrize("watched", ["mechanical", "total"])
@pytest.mark.parametrize("yields", ["mechanical", "total"])
def test_the_chain_with_the_zero_gives_the_stated_strain(watched: str, yields: str) -> None:
    """From the middle of a stream that had no zero, in noise: the mean is the stated strain, and
    total agrees with mechanical in the mean since T_zero is the window's. So it is for a film
    whose compensation leaves total strain."""
    sheet = FULL.model_copy(
        update={"temperature": FILM_OUTPUT.model_copy(update={"yields": yields})}
    )
    rng = np.random.default_rng(11)
    installed, read = printed(1e-4 + 2e-6 * rng.normal(size=len(TIME)))
    installed = structure(
        installed.placements, (), (sheet,), 30.0, points={"P-C1": {"watched": watched}}
    )
    statement = stated("C1", 5e-5, 3600.0)
    said = as_zero(solved(installed, read, statement), statement)
    plan = compile_plan(installed.model_copy(update={"zeros": (said,)}))
    results, _ = run_chain(read, initial_state(plan), plan)
    rows = results.column("time").astype(np.int64) >= statement.start_us

    assert floats(results, "mechanical")[rows].mean() == pytest.approx(50.0, abs=0.01)
    assert floats(results, "total")[rows].mean() == pytest.approx(50.0, abs=0.01)


def test_a_zero_in_the_window_or_after_it_does_not_matter() -> None:
    """What the gauge was given from the window's start on is left out; what held before is not
    used either, since the offset is the whole one."""
    installed, read = printed(np.zeros(len(TIME)))
    others = (zero("C1", 1.5, offset_delta=0.01), zero("C1", 30.0, offset_delta=-0.01))
    with_others = installed.model_copy(update={"zeros": others})
    plain = solved(installed, read, stated("C1", 0.0, 3600.0))
    found = solved(with_others, read, stated("C1", 0.0, 3600.0))

    assert found.offset == plain.offset


@settings(deadline=None, max_examples=10)
@given(
    after_s=st.integers(600, 30_000),
    offset=st.floats(-1e-2, 1e-2),
    serial=st.sampled_from(["F1", "C1"]),
)
def test_a_zero_never_changes_what_came_before_it(after_s: int, offset: float, serial: str) -> None:
    """Whatever is stated from whenever on: no earlier row of any gauge is another."""
    day = busy_day()
    gauges = (foil(), film("C1"))
    old = (zero("F1", 0.1), zero("C1", 0.05))
    new = zero(serial, after_s / 3600.0, offset_delta=offset)
    rows = []
    for zeros in (old, (*old, new)):
        plan = compile_plan(structure(gauges, zeros))
        results, _ = run_chain(day, initial_state(plan), plan)
        before = results.column("time").astype(np.int64) < START_US + after_s * 1_000_000
        rows.append(results.take(before))

    assert len(rows[0]) > 10
    assert_close(rows[1], rows[0])


def test_uncertainty_of_a_foil_zero_by_hand() -> None:
    """Steady readings at 240 µm/m: scatter of the instrument and statement; curve, thermometer and
    c_k count from the zero on, the single reading and the unstrained value stay out."""
    sky = Climate(np.arange(0.0, 7200.0, 120.0), np.full(60, 30.0), np.full(60, 30.0), np.ones(60))
    installed, _ = bridged(np.zeros(1), unstrained_u=1e-6)
    values = np.full(len(TIME), 2e-4)
    read = readings({"F1": (TIME, values), "ts": (sky.time, sky.surface)})
    parts = solved(installed, read, stated("F1", 240e-6, strain_u=2e-6)).parts
    gain = 1.0 + 1e-4 * 10.0

    assert {name for name, u in parts.items() if u > 1e-15} == {"scatter", "known_strain"}
    assert parts["scatter"] == pytest.approx(1e-6 / math.sqrt(240), rel=1e-9)
    assert parts["known_strain"] == pytest.approx(2e-6 * 2.1 * gain, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_the_scatter_tells_how_far_the_mean_is_off(correlation: float) -> None:
    """Over 300 windows of white and of correlated noise (AR(1), 0.9) the true offset lies within
    2u of the one found in 95 % of them, within three standard errors of that count."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(300):
        white = rng.normal(size=len(TIME) + 200)
        noise = np.zeros(len(white))
        for i in range(1, len(white)):
            noise[i] = correlation * noise[i - 1] + white[i]
        delta = 1e-5 * noise[200:]
        installed, _ = bridged(np.zeros(1))
        values = 0.5 * delta / (2.0 + delta)
        solution = solved(installed, readings({"F1": (TIME, values), "ts": (TIME, 20.0)}),
                          stated("F1", 0.0, temperature_c=20.0))  # fmt: skip
        u = math.hypot(solution.parts["scatter"] * 2.365 / 1.960, 0.0)  # t_0.975(7), Student
        inside += abs(solution.offset) <= 2.0 * u

    assert inside / 300 >= 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / 300)
    assert correlation or inside / 300 <= 0.995


def test_t_zero_may_be_stated_and_then_the_model_error_counts() -> None:
    """With T_zero elsewhere than in the window, the error of A between the two is in u."""
    installed, read = printed(np.zeros(len(TIME)))
    own = solved(installed, read, stated("C1", 0.0))
    other = solved(installed, read, stated("C1", 0.0, temperature_c=20.0))

    assert own.temperature_c == pytest.approx(11.2, abs=0.5)
    assert own.parts.get("thermal_output", 0.0) < 1e-5
    # 5 % of A(11.2) - A(20) = 1.5e-4·(-8.8) + 2e-6·77 + 1e-8·681 = -1.16e-3
    assert other.parts["thermal_output"] == pytest.approx(0.05 * 1.16e-3, rel=0.1)
    assert other.temperature_c == 20.0


@pytest.mark.parametrize("start_s", [7199.0, 9000.0])
def test_a_window_without_readings_has_no_zero(start_s: float) -> None:
    """Nothing is made up where nothing was read."""
    installed, read = printed(np.zeros(len(TIME)))
    end = START_US + round(start_s * 1e6) + 1_000_000
    statement = Statement("C1", end - 1_000_000, end, 0.0)

    assert solve_zero(installed, read, ChainState(), statement) is None


def test_rows_without_their_compensation_are_not_averaged() -> None:
    """Where the temperature is missing a reading stands for another quantity: it stays out."""
    installed, read = printed(np.zeros(len(TIME)))
    codes, names = read.channel_codes()
    is_climate = np.array([name in ("ts", "ta") for name in names])[codes]
    late = read.column("time").astype(np.int64) >= START_US + 3600_000_000
    solution = solved(installed, read.take(~(is_climate & late)), stated("C1", 0.0))
    usable = solution.window.usable

    # the last temperature, of 3480 s, may be 900 s old
    assert np.count_nonzero(usable) == np.count_nonzero(TIME <= 3480.0 + 900.0)
    # In those 900 s the climate goes on unseen, which is worth less than half a µm/m.
    assert solution.offset == pytest.approx(TRUE_OFFSET, abs=1e-5)
