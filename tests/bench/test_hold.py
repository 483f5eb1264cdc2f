"""
A hold gives back the creep that was put into it, a rest the ageing.

The rows come from `hold_truth`, which shares nothing with the fit.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from pipeline.bench.chamber_table import ChamberRuns
from pipeline.bench.hold import HoldFit, fit_hold
from pipeline.errors import ConfigError
from pipeline.site.models import Creep, Curve, Moisture, Temperature
from tests.bench.hold_truth import YEAR_S, Lot, hold, rest

PLACE: dict[str, Any] = {"reference_temperature_c": 20.0, "reference_humidity_rh": 50.0}
LOT = Lot()
SIZES = (1.0, 1.1, 0.9)
LINE = Curve(
    kind="line",
    coefficients=(20.0,),
    range_um_m=(-1000.0, 1000.0),
    covariance=((1e-4,),),
    degrees_of_freedom=9.0,
)


def random(seed: int = 1) -> np.random.Generator:
    """Fixed numbers."""
    return np.random.default_rng(seed)


def grown(terms: Sequence[Creep], seconds: float) -> float:
    """Creep after so long under load, as a share of it."""
    return sum(c.fraction * float(1.0 - np.exp(-seconds / c.time_constant_s)) for c in terms)


@pytest.fixture(name="fit", scope="module")
def _fit() -> HoldFit:
    return fit_hold(hold(LOT, SIZES, random()), **PLACE)


def test_two_terms_are_found_as_they_are(fit: HoldFit) -> None:
    """Fractions to 3 % and time constants to 5 % at 7e-6 of noise under 0.016 of load."""
    assert [c.fraction for c in fit.creep] == pytest.approx([0.012, 0.018], rel=0.03)
    assert [c.time_constant_s for c in fit.creep] == pytest.approx([1800.0, 28_800.0], rel=0.05)


def test_the_spread_is_that_of_another_gauge(fit: HoldFit) -> None:
    """Sizes 1, 1.1, 0.9: s = 10 % of the creep, u = s·√(4/3), two degrees, by hand."""
    total = next(e for e in fit.figures.estimates if e.name == "creep")
    stated = sum(
        (c.fraction_u * (1.0 - np.exp(-86_400.0 / c.time_constant_s))) ** 2 for c in fit.creep
    )

    assert total.u / total.value == pytest.approx(0.1 * np.sqrt(4.0 / 3.0), rel=0.03)
    assert np.sqrt(stated) == pytest.approx(total.u, rel=0.1)
    assert {c.degrees_of_freedom for c in fit.creep} == {2.0}


@pytest.mark.parametrize(
    "terms",
    [
        (),
        ((0.02, 6000.0),),
        ((0.012, 1800.0), (0.018, 28_800.0)),
        ((0.01, 600.0), (0.012, 6000.0), (0.02, 50_000.0)),
    ],
)
def test_as_many_terms_as_there_are(terms: tuple[tuple[float, float], ...]) -> None:
    """None for foil, else one to three; the creep of an hour and of a day to 2 %."""
    lot = replace(LOT, creep=terms)
    found = fit_hold(hold(lot, SIZES, random(2), interval_s=60.0), **PLACE).creep
    truth = [Creep(fraction=c, time_constant_s=tau) for c, tau in terms]

    assert len(found) == len(terms)
    for seconds in (3600.0, 86_400.0):
        assert grown(found, seconds) == pytest.approx(grown(truth, seconds), rel=0.02)


def test_compression_creeps_alike() -> None:
    """A load below 0 gives the same fractions."""
    found = fit_hold(hold(LOT, SIZES, random(3), strain=-8e-4, load=-0.016), **PLACE)

    assert [c.fraction for c in found.creep] == pytest.approx([0.012, 0.018], rel=0.05)


def test_a_serial_is_stated_by_its_own_fit() -> None:
    """One gauge with `for_batch` off: its own uncertainty, far below the spread of a batch."""
    found = fit_hold(hold(LOT, (1.0,), random(4)), **PLACE, for_batch=False)

    assert [c.fraction for c in found.creep] == pytest.approx([0.012, 0.018], rel=0.05)
    total = next(e for e in found.figures.estimates if e.name == "creep")
    assert 0.0 < total.u < 0.02 * total.value


def test_climate_is_taken_off_with_the_chamber_tables() -> None:
    """A day's swing of 3 K and 6 %RH on A and H does not reach the creep."""
    table = hold(LOT, SIZES, random(5))
    swing = np.sin(2 * np.pi * table.time / 86_400.0)
    # A film of 1 s follows at once, so that H needs no lag here.
    climate = 4.1e-4 * 3.0 * swing + 6e-3 * 0.06 * swing
    moved = replace(
        table,
        temperature=20.0 + 3.0 * swing,
        humidity=0.5 + 0.06 * swing,
        relative=table.relative + 1.1e5 * climate,
    )
    thermal = Temperature(
        output=(4.1e-4,), yields="mechanical", output_expansion_1e6_per_k=12.0, range_c=(0.0, 40.0)
    )
    damp = Moisture(output=(6e-3,), time_constant_s=1.0)
    found = fit_hold(moved, **PLACE, temperature=thermal, moisture=damp)

    assert [c.fraction for c in found.creep] == pytest.approx([0.012, 0.018], rel=0.05)
    with pytest.raises(ConfigError, match=r"temperatures within 6 K and no chamber run"):
        fit_hold(moved, **PLACE)


def test_a_hold_in_two_strains_needs_the_curve() -> None:
    """800 then 400 µm/m: refused without a curve, understood with one."""
    table = hold(LOT, SIZES, random(6))
    half = (table.time >= 46_800.0) & (table.strain > 0)
    two = replace(table, strain=np.where(half, 4e-4, table.strain))
    with pytest.raises(ConfigError, match=r"several strains \(400, 800 µm/m\) and no curve"):
        fit_hold(two, **PLACE)
    # Half the load from then on, and half of each step's answer with it.
    since = np.maximum(table.time - 46_800.0, 0.0)
    kept = np.maximum(table.time - 90_000.0, 0.0)
    answer = np.where(half, 1.0, 0.0)
    for fraction, tau in LOT.creep:
        answer = answer + fraction * (np.exp(-kept / tau) - np.exp(-since / tau))
    size = np.select([table.serial == "g2", table.serial == "g3"], [1.1, 0.9], 1.0)
    step = np.where(half, 1.0, 0.0)
    lowered = table.relative - 1.1e5 * 0.008 * (step + size * (answer - step))
    found = fit_hold(replace(two, relative=lowered), **PLACE, curve=LINE)

    assert [c.fraction for c in found.creep] == pytest.approx([0.012, 0.018], rel=0.05)


def test_time_constants_stay_within_the_hold() -> None:
    """Creep of 200 h in a hold of 6 h: no τ beyond the hold, and a note to hold longer."""
    lot = replace(LOT, creep=((0.05, 720_000.0),))
    found = fit_hold(hold(lot, SIZES, random(7), hours=6.0), **PLACE)

    assert all(c.time_constant_s <= 6 * 3600.0 for c in found.creep)
    assert "hold longer" in found.figures.notes[0]


def test_linear_ageing_of_a_long_rest_is_told_from_logarithmic() -> None:
    """Two years a reading a day: the law and its rate are found, each from its own truth."""
    for kind in ("linear", "logarithmic"):
        lot = replace(LOT, kind=kind)
        rows = rest(lot, [1.6e-4, 1.7e-4, 1.5e-4], random(8), days=730.0, interval_s=86_400.0)
        found = fit_hold(None, rows, **PLACE).ageing
        assert found is not None

        assert found.kind == kind
        assert found.per_year == pytest.approx(1.6e-4, rel=0.02)
        assert found.per_year_u == pytest.approx(1e-5 * np.sqrt(4 / 3), rel=0.1)


def test_a_fortnight_does_not_tell_the_law_and_says_so() -> None:
    """Linear is taken; (1 - ln 2)/√3 of the drift, 2.8e-5 by hand, is in its uncertainty."""
    found = fit_hold(None, rest(LOT, [1.6e-4] * 3, random(9)), **PLACE)
    assert found.ageing is not None

    assert found.ageing.kind == "linear"
    assert found.ageing.per_year_u > 0.17 * 1.6e-4
    assert "does not tell linear from logarithmic" in found.figures.notes[0]


def test_a_wandering_temperature_is_not_ageing() -> None:
    """0.1 K over days on a gauge of 4e-4 per K: within its stated interval all the same."""
    rows = rest(LOT, [1.6e-4] * 3, random(10), per_k=4e-4, wander_k=0.1)
    found = fit_hold(None, rows, **PLACE).ageing
    assert found is not None

    assert abs(found.per_year - 1.6e-4) < 2.0 * found.per_year_u
    assert found.per_year_u < 2e-4


def test_a_rest_too_short_is_not_significant() -> None:
    """Six hours say nothing of a year: the figure stands, with an uncertainty that says so."""
    found = fit_hold(None, rest(LOT, [1.6e-4] * 3, random(11), days=0.25), **PLACE)

    assert "ageing" in found.figures.not_significant


def without(table: ChamberRuns, **changes: Any) -> ChamberRuns:
    """The table with other columns."""
    return replace(table, **changes)


@pytest.mark.parametrize(
    ("spoilt", "parts"),
    [
        (lambda t: without(t, strain=np.zeros(len(t))), ('gauge "g1"', "into rest.csv")),
        (lambda t: without(t, strain=np.full(len(t), 8e-4)), ("unloaded rows first", "line 2")),
        (lambda t: without(t, serial=np.full(len(t), "g1"), run=t.serial), ("one gauge",)),
        (
            lambda t: without(t, strain=np.where(t.time == 3600.0, 8e-4, 0.0)),
            ("1 rows under load", "at least 20", "Read more often"),
        ),
    ],
)
def test_a_hold_that_cannot_tell_is_refused(spoilt: Any, parts: tuple[str, ...]) -> None:
    """File, row and remedy."""
    with pytest.raises(ConfigError) as refused:
        fit_hold(spoilt(hold(LOT, SIZES, random())), **PLACE)

    assert [part for part in ("hold.csv", *parts) if part not in str(refused.value)] == []


def test_a_loaded_rest_is_refused() -> None:
    """Ageing is that of gauges never loaded."""
    with pytest.raises(ConfigError, match=r"a strain of 800 µm/m at rest"):
        fit_hold(None, hold(LOT, SIZES, random()), **PLACE)


@pytest.mark.slow
def test_intervals_hold_another_gauge_in_95_of_100() -> None:
    """Creep of an hour, six and a day: 95 ± 4 % of 250 batches of three gauges."""
    held = {3600.0: 0, 6 * 3600.0: 0, 86_400.0: 0}
    for seed in range(250):
        draw = np.random.default_rng(seed)
        sizes = 1.0 + LOT.creep_sd * draw.standard_normal(4)
        found = fit_hold(hold(LOT, sizes[:3].tolist(), draw), **PLACE).creep
        truth = [Creep(fraction=c * sizes[3], time_constant_s=tau) for c, tau in LOT.creep]
        for seconds in held:
            share = [1.0 - np.exp(-seconds / c.time_constant_s) for c in found]
            u = np.sqrt(sum((c.fraction_u * s) ** 2 for c, s in zip(found, share, strict=True)))
            error = abs(grown(truth, seconds) - grown(found, seconds))
            held[seconds] += bool(error <= student.ppf(0.975, 2.0) * u)

    assert {s: n for s, n in held.items() if not 0.91 <= n / 250 <= 0.99} == {}


@pytest.mark.slow
def test_the_drift_of_another_gauge_is_in_its_interval() -> None:
    """Ageing from a long rest: 95 ± 4 % of 250 batches of three gauges."""
    held = 0
    for seed in range(250):
        draw = np.random.default_rng(1000 + seed)
        rates = LOT.per_year * (1.0 + LOT.ageing_sd * draw.standard_normal(4))
        rows = rest(LOT, rates[:3].tolist(), draw, days=730.0, interval_s=86_400.0)
        found = fit_hold(None, rows, **PLACE).ageing
        assert found is not None
        assert found.degrees_of_freedom is not None
        factor = float(student.ppf(0.975, found.degrees_of_freedom))
        held += bool(abs(rates[3] - found.per_year) <= factor * found.per_year_u)

    assert 0.91 <= held / 250 <= 0.99


def test_a_year_is_the_julian_one() -> None:
    """Rates are per 365.25 days, as the chain counts them."""
    rows = rest(replace(LOT, noise=0.0), [1e-4, 1e-4], random(), days=365.25, interval_s=86_400.0)
    at_end = rows.relative[rows.serial == "g1"]
    found = fit_hold(None, rows, **PLACE).ageing
    assert found is not None

    assert found.per_year == pytest.approx(
        (at_end[-1] / at_end[0] - 1.0) * YEAR_S / (rows.time[len(at_end) - 1]), rel=1e-6
    )
