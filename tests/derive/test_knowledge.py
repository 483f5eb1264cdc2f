"""
How well a calibration is known: degrees of freedom and the slopes' and τ's own uncertainty.
"""

import math

import numpy as np
import pytest

from pipeline.derive.block import Block
from pipeline.derive.budget import components_of
from pipeline.derive.chain import ChainState, run_chain
from pipeline.derive.gauges import Film, Gauge
from pipeline.derive.moisture import _driving_u
from pipeline.derive.plan import compile_plan
from tests.derive.examples import AGEING, CREEP, DAMP, FILM_OUTPUT, FULL, film, structure
from tests.derive.streams import busy_day


def test_the_change_of_moisture_with_tau_follows_how_far_it_is_behind() -> None:
    """u of w from u of ln τ is |dw/d(ln τ)|·u, by a difference quotient of the lag itself."""
    tau, tau_u, seconds = 5000.0, 0.1, np.arange(0.0, 30_000.0, 50.0)

    def behind(t: float) -> np.ndarray:
        return np.asarray(0.8 + (0.3 - 0.8) * np.exp(-seconds / t))

    exact = tau_u * np.abs(behind(tau * 1.0001) - behind(tau / 1.0001)) / (2 * 1e-4)
    film = Film((1e-3,), 0.0, 0.5, tau, 0.0, 20.0, 0.0, 0.0, tau_u=tau_u)
    u, found = 0.0, []
    for w in behind(tau):
        found.append(u)
        driving = float(_driving_u(np.array(0.8), np.array(0.0), np.array(w), film))
        u = driving + (u - driving) * math.exp(-50.0 / tau)

    np.testing.assert_allclose(found, exact, atol=4e-4)
    assert max(found) == pytest.approx(tau_u * 0.5 / math.e, rel=0.02)  # at t = τ, by hand


@pytest.mark.parametrize("freedom", [None, 2.0])
def test_each_part_carries_the_freedom_of_its_estimate(freedom: float | None) -> None:
    """A, c_k, H, creep and ageing from three gauges count with ν = 2; well known, with none."""
    stated = {"degrees_of_freedom": freedom}
    climate = FILM_OUTPUT.model_copy(update={**stated, "output_u_per_k": 1e-6})
    known = FULL.model_copy(
        update={
            "temperature": climate,
            "moisture": DAMP.model_copy(update=stated),
            "creep": tuple(c.model_copy(update=stated) for c in CREEP),
            "ageing": AGEING.model_copy(update=stated),
        }
    )
    plan = compile_plan(structure((film("C1"),), calibrations=(known,)))
    seen: list[tuple[Gauge, Block]] = []
    run_chain(busy_day(1.0), ChainState(), plan, watch=lambda *pair: seen.append(pair))
    parts = components_of(seen[0][1], seen[0][0].segments[0])

    expected = math.inf if freedom is None else freedom
    for name in ("thermal_output", "sensitivity", "moisture_output", "creep", "ageing"):
        assert parts[name][1] == expected, name
    assert parts["moisture"][1] == math.inf


def test_a_slope_that_is_matched_to_nothing_has_its_own_uncertainty() -> None:
    """u per kelvin counts from the temperature at which the strain was zero, by hand."""
    climate = FILM_OUTPUT.model_copy(update={"output_u": 0.0, "output_u_per_k": 3e-6})
    known = FULL.model_copy(update={"temperature": climate})
    plan = compile_plan(structure((film("C1"),), calibrations=(known,)))
    seen: list[tuple[Gauge, Block]] = []
    run_chain(busy_day(1.0), ChainState(), plan, watch=lambda *pair: seen.append(pair))
    gauge, block = seen[0]
    variance, _ = components_of(block, gauge.segments[0])["thermal_output"]
    model = gauge.segments[0].strain
    assert model is not None

    by_hand = (3e-6 * (block["temperature"] - model.thermal.zero_c)) ** 2
    np.testing.assert_allclose(np.asarray(variance), np.nan_to_num(by_hand), rtol=1e-12)
    assert np.max(by_hand) > 0.0
