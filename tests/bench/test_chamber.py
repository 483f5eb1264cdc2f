"""
A climate chamber gives back the gauges that were put into it.

The rows come from `chamber_truth`, which shares nothing with the fit.
"""

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.bench.chamber import ChamberFit, fit_chamber
from pipeline.bench.chamber_table import ChamberRuns
from pipeline.site.models import Creep, Curve
from tests.bench.chamber_truth import Film, Lot, Programme, measured, stepped, whole

PLACE: dict[str, Any] = {
    "reference_temperature_c": 20.0,
    "reference_humidity_rh": 50.0,
    "yields": "mechanical",
    "expansion_1e6_per_k": 12.0,
}
LOT = Lot()
FILMS = (
    Film(1.0, 1.0, 9000.0, 6e-4),
    Film(1.03, 0.95, 9300.0, 6.4e-4),
    Film(0.97, 1.05, 8700.0, 5.6e-4),
)


def fitted(
    lot: Lot = LOT,
    programme: Sequence[Programme] | None = None,
    films: Sequence[Film] = FILMS,
    seed: int = 1,
    **settings: Any,
) -> ChamberFit:
    """The fit of a simulated chamber."""
    rows = measured(lot, films, programme or whole(), np.random.default_rng(seed))
    return fit_chamber(rows, **{**PLACE, **settings})


@pytest.fixture(name="fit", scope="module")
def _fit() -> ChamberFit:
    return fitted()


def test_every_gauge_is_found_as_it_is(fit: ChamberFit) -> None:
    """Each gauge's A, H1, τ to a few parts in a thousand, c_k to 3 %, at 7e-6 of noise."""
    for film, found in zip(FILMS, fit.figures.gauges, strict=True):
        assert found.output == pytest.approx([film.output * c for c in LOT.output], rel=3e-3)
        wet = [film.moisture * c for c in LOT.moisture]
        assert found.humidity_output[0] == pytest.approx(wet[0], rel=2e-3)
        assert found.humidity_output[1] == pytest.approx(wet[1], rel=0.05)
        assert found.tau_s == pytest.approx(film.tau, rel=4e-3)
        assert found.factor_per_k == pytest.approx(film.factor_per_k, rel=0.03)


def test_the_batch_is_the_mean_with_the_spread_of_another_gauge(fit: ChamberFit) -> None:
    """Factors 1, 1.03, 0.97 on A: s = 0.03, so u = 0.03·√(4/3) relative, 2 degrees, by hand."""
    assert fit.temperature.output[0] == pytest.approx(4.1e-4, rel=2e-3)
    assert fit.temperature.output_u == pytest.approx(0.03 * np.sqrt(4 / 3), rel=0.02)
    assert fit.temperature.factor_per_k_u == pytest.approx(0.4e-4 * np.sqrt(4 / 3), rel=0.1)
    assert fit.temperature.degrees_of_freedom == pytest.approx(2.0, rel=0.02)
    assert fit.moisture is not None
    assert fit.moisture.output_u == pytest.approx(0.05 * np.sqrt(4 / 3), rel=0.05)
    assert fit.moisture.time_constant_s == pytest.approx(9000.0, rel=5e-3)


def test_the_orders_are_those_of_the_film(fit: ChamberFit) -> None:
    """A and H of second order are found as such: no first order, no third."""
    taken = {one.what: one.order for one in fit.figures.choices if one.is_taken}

    assert taken == {"temperature": 2, "moisture": 2}


def test_a_straight_film_gets_a_straight_line() -> None:
    """Where A and H are lines no bend is invented."""
    found = fitted(replace(LOT, output=(4.1e-4,), moisture=(6e-3,)))
    taken = {one.what: one.order for one in found.figures.choices if one.is_taken}

    assert taken == {"temperature": 1, "moisture": 1}


def at_two_temperatures() -> tuple[Programme, ...]:
    """The whole programme and humidity steps at 45 °C."""
    damp = [(4.0, 45.0, 0.5, 0.0)] + [(8.0, 45.0, h, 0.0) for h in (0.8, 0.3)]
    return (*whole(), stepped(damp, "4", "humidity"))


@pytest.mark.slow
def test_a_lag_that_follows_temperature_is_found() -> None:
    """B = 2000 K to 2 % where humidity was stepped at two temperatures; its figure has a u."""
    found = fitted(replace(LOT, activation=2000.0), at_two_temperatures())

    assert found.moisture is not None
    assert found.moisture.activation_k == pytest.approx(2000.0, rel=0.02)
    assert found.moisture.time_constant_s == pytest.approx(9000.0, rel=0.01)
    assert next(e for e in found.figures.estimates if e.name == "B").is_significant


@pytest.mark.slow
def test_a_lag_that_does_not_is_left_alone() -> None:
    """The same programme without activation: B stays 0 and was tried."""
    found = fitted(LOT, at_two_temperatures())

    assert found.moisture is not None
    assert found.moisture.activation_k == 0.0
    assert [c.is_taken for c in found.figures.choices if c.what == "activation"] == [True, False]


def test_a_drifting_chamber_run_does_not_bend_the_slope() -> None:
    """2e-5 of δ an hour in every run: A stays within 0.5 %, and the drift is told for a serial."""
    found = fitted(replace(LOT, drift_per_h=2e-5), films=FILMS[:1], for_batch=False)
    drifts = [e for e in found.figures.estimates if e.name.startswith("drift")]

    assert found.temperature.output[0] == pytest.approx(4.1e-4, rel=5e-3)
    assert [e.value for e in drifts] == pytest.approx([2e-5] * 3, rel=0.05)


def test_a_rising_sweep_says_that_drift_and_slope_go_together() -> None:
    """One ramp up with a drift: the note names the gauge and the slope without the drift."""
    hours = np.arange(0.0, 24.0, 1.0)
    ramp = stepped([(1.0, 20.0 + h, 0.5, 0.0) for h in hours.tolist()], "1", "temperature")
    lot = replace(LOT, drift_per_h=5e-5)
    rows = measured(lot, FILMS[:1], [ramp], np.random.default_rng(2))
    found = fit_chamber(rows, **PLACE, for_batch=False)
    # Of a drift of 5e-5 per hour at 1 K per hour, all would be read as temperature.
    assert found.figures.gauges[0].slope_without_drift > 4.4e-4
    assert found.figures.gauges[0].confounded > 0.9

    assert "g1: temperature and drift go together" in found.figures.notes[0]


@pytest.mark.slow
def test_creep_of_the_held_load_is_not_read_as_temperature() -> None:
    """With the hold's creep c_k is right to 2 %; without it, it is off by more."""
    creep = ((0.012, 1800.0), (0.018, 20_000.0))
    lot, films = replace(LOT, creep=creep), (Film(1.0, 1.0, 9000.0, 6e-4),)
    known = tuple(Creep(fraction=c, time_constant_s=tau) for c, tau in creep)
    right = fitted(lot, films=films, for_batch=False, creep=known)
    wrong = fitted(lot, films=films, for_batch=False)

    assert right.temperature.factor_per_k == pytest.approx(6e-4, rel=0.02)
    assert abs(wrong.temperature.factor_per_k - 6e-4) > 0.02 * 6e-4


CURVE = Curve(
    kind="line",
    coefficients=(19.2,),
    range_um_m=(-1500.0, 1500.0),
    covariance=((1e-4,),),
    degrees_of_freedom=10.0,
)


def test_a_run_that_was_never_unloaded_takes_the_load_from_the_curve() -> None:
    """c_k comes from the slope under load over F(ε) where the run has no free rows."""
    loaded = stepped([(2.0, t, 0.5, 1e-3) for t in (20.0, 40.0, 0.0, 20.0)], "3", "temperature")
    found = fitted(LOT, (*whole()[:2], loaded), curve=CURVE)

    assert found.temperature.factor_per_k == pytest.approx(6e-4, rel=0.02)


@pytest.mark.slow
def test_humidity_counts_at_the_temperature_of_the_film() -> None:
    """
    Air 6 K warmer than the film and drier by p_s(film)/p_s(air), WMO-No. 8, annex 4.B, wets the
    film just as air of its own temperature does.
    """
    rows = measured(LOT, FILMS, whole(), np.random.default_rng(3))
    air = rows.temperature + 6.0

    def pressure(t: np.ndarray[Any, np.dtype[np.float64]]) -> Any:
        return 6.112 * np.exp(17.62 * t / (243.12 + t))

    dry = rows.humidity * pressure(rows.temperature) / pressure(air)
    seen = replace(rows, humidity=dry, air_temperature=air)
    found = fit_chamber(seen, **PLACE)
    plain = fit_chamber(rows, **PLACE)
    assert found.moisture is not None
    assert plain.moisture is not None

    assert found.moisture.output == pytest.approx(plain.moisture.output, rel=1e-9)
    assert found.moisture.time_constant_s == pytest.approx(plain.moisture.time_constant_s, rel=1e-9)


def test_foil_that_differs_in_its_slope_is_stated_per_kelvin() -> None:
    """Slopes of 0, 1e-7 and -1e-7 about a common bend: u is absolute, 1e-7·√(4/3) by hand."""
    rows = measured(
        replace(LOT, output=(0.0, -4e-8), moisture=(0.0,), noise=1e-8),
        FILMS[:1] * 3,
        whole()[:1],
        np.random.default_rng(4),
    )
    own = np.select([rows.serial == "g2", rows.serial == "g3"], [1e-7, -1e-7], 0.0)
    apart = replace(rows, relative=rows.relative * (1.0 + own * (rows.temperature - 20.0)))
    found = fit_chamber(apart, **PLACE).temperature

    assert found.output_u == 0.0
    assert found.output_u_per_k == pytest.approx(1e-7 * np.sqrt(4 / 3), rel=0.05)


def test_no_lack_of_fit_where_the_model_holds(fit: ChamberFit) -> None:
    """Residuals are the meter's 7e-6; what lies beyond is below a third of it."""
    for found in fit.figures.gauges:
        assert found.noise == pytest.approx(7e-6, rel=0.1)
        assert found.lack_of_fit < 0.33 * 7e-6


@pytest.mark.slow
def test_lack_of_fit_shows_where_the_model_does_not_hold() -> None:
    """A step of 3e-4 half-way through a run is no drift: it is left over, and it costs readings."""
    rows = measured(LOT, FILMS, whole(), np.random.default_rng(5))
    late = (rows.run == "1") & (rows.time > 8 * 3600.0)
    found = fit_chamber(replace(rows, relative=rows.relative * (1.0 + 3e-4 * late)), **PLACE)

    assert found.figures.gauges[0].lack_of_fit > 1.5e-5
    assert found.figures.gauges[0].independent < 100


@pytest.mark.slow
def test_the_input_is_not_changed() -> None:
    """Fitting leaves the table as it was."""
    rows = measured(LOT, FILMS, whole(), np.random.default_rng(6))
    before = rows.relative.copy()
    fit_chamber(rows, **PLACE)

    assert np.array_equal(rows.relative, before)


@pytest.mark.slow
def test_three_gauges_of_two_thousand_rows_take_less_than_two_seconds() -> None:
    """Processor time of the whole fit, orders and lag included."""
    longer = [replace_rows(p) for p in (*whole(), *at_two_temperatures()[3:])]
    rows: ChamberRuns = measured(LOT, FILMS, longer, np.random.default_rng(7))
    start = time.process_time()
    fit_chamber(rows, **PLACE)
    spent = time.process_time() - start
    assert len(rows) >= 3 * 1900

    assert spent < 2.0


def replace_rows(programme: Programme) -> Programme:
    """The programme twice as long, each row twice."""
    n = len(programme.time)
    return Programme(
        programme.run * 2,
        programme.segment * 2,
        np.asarray(np.arange(2 * n) * 300.0, np.float64),
        np.repeat(programme.temperature, 2),
        np.repeat(programme.humidity, 2),
        np.repeat(programme.strain, 2),
    )
