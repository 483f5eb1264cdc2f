"""
Sources of uncertainty: together they are the gauge's budget, and what gauges share has its sign.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from pipeline.derive.block import Block, Context
from pipeline.derive.budget import components_of
from pipeline.derive.chain import STRAIN_STAGES, initial_state, run_chain
from pipeline.derive.combine_sources import strain_sources
from pipeline.derive.gauges import Plan, Segment
from pipeline.site.models import Curve, Temperature, Zero
from tests.derive.derived import (
    FACTOR,
    WELL_KNOWN,
    column,
    derived_plan,
    gauge,
    line,
    rosette,
    section,
    sheet,
    shown,
)
from tests.derive.examples import calibration, everything, zero
from tests.derive.stage_inputs import stage_inputs
from tests.derive.streams import busy_day

PAIR = {"P-A": (0.0, -0.5), "P-B": (0.0, 0.5)}
NORMAL = float(student.ppf(0.975, 1e12)) / 2.0
AB = (gauge("A"), gauge("B"))
ZEROED = tuple(zero(serial, 0.0, offset_delta=0.0, offset_delta_u=0.0) for serial in "AB")


@cache
def finished() -> tuple[tuple[Block, Segment], ...]:
    """Rows after all stages of every strain gauge of `everything`, segment by segment."""
    last = list(STRAIN_STAGES)[-1]
    found = []
    with np.errstate(invalid="ignore", divide="ignore"):
        for one in stage_inputs(last, everything(), busy_day()):
            context: Context = one.context
            if context.segment.strain is not None and len(one.block):
                block, _ = STRAIN_STAGES[last](one.block, one.state, context)
                found.append((block, context.segment))
    return tuple(found)


def test_sources_add_up_to_the_budget_of_each_gauge() -> None:
    """Curves, spread, climate present and missing, companion, creep, ageing: nothing is lost."""
    assert len(finished()) > 6
    for block, segment in finished():
        scale = segment.strain.curve.slope(block["strain"]) * block["gain"]  # type: ignore[union-attr]
        with np.errstate(invalid="ignore", divide="ignore"):
            whole = sum(np.asarray(v) for v, _ in components_of(block, segment).values()) / scale**2
            sources = strain_sources(block, segment, "P")
            total = sum(np.sum(s.amounts**2, axis=1) for s in sources.values())

        np.testing.assert_allclose(total, whole, rtol=1e-9)


def test_each_component_of_a_shared_kind_is_shared_by_name() -> None:
    """What the module says is common carries no point in its name; what is of the gauge does."""
    names = {n for block, segment in finished() for n in strain_sources(block, segment, "P")}
    common = {name.split("|")[0] for name in names if name.endswith("|")}
    own = {name.split("|")[0] for name in names if name.endswith("|P")}

    assert {"curve", "temperature", "moisture", "creep", "ageing", "companion"} <= common
    assert {"reading", "unstrained", "between_gauges"} <= own
    assert not {"reading", "unstrained", "zero"} & common


def pair_plan(
    curve: Curve | None = None, zeros: tuple[Zero, ...] = ZEROED, **of_sheet: Any
) -> Plan:
    """A and B half a metre below and above the reference, one calibration for both."""
    one = sheet(curve=curve, **of_sheet)
    return derived_plan(AB, sections=(section(),), sheets=(one,), zeros=zeros, places=PAIR)


def stated_u(plan: Plan, a: float, b: float, **climate: float) -> tuple[float, float]:
    """Standard u of axial strain (the mean) and of curvature (the difference) at A and B."""
    results, _ = run_chain(shown({"A": a, "B": b}, [60.0], **climate), initial_state(plan), plan)
    u = [column(results, "sec", q, "u")[0] / NORMAL for q in ("axial_strain", "curvature_y")]
    return u[0], u[1]


def test_factor_of_one_calibration_is_common_to_its_gauges() -> None:
    """
    1 % of the factor at 300 and 300 µm/m: 3 on the mean, nothing on the difference; at 300 and
    -300 the other way round: nothing, and 6.
    """
    plan = pair_plan(line(covariance=(((0.01 * FACTOR) ** 2,),)))

    assert stated_u(plan, 300.0, 300.0) == pytest.approx((3.0, 0.0), rel=1e-4, abs=1e-3)
    assert stated_u(plan, 300.0, -300.0) == pytest.approx((0.0, 6.0), rel=1e-4, abs=1e-3)


def test_factors_of_two_calibrations_are_not_common() -> None:
    """1 % each at 300 µm/m: 3/√2 on the mean, 3·√2 on the difference."""
    curve = line(covariance=(((0.01 * FACTOR) ** 2,),))
    sheets = (calibration("a", curve), calibration("b", curve))
    gauges = (gauge("A", calibration="a"), gauge("B", calibration="b"))
    plan = derived_plan(gauges, sections=(section(),), sheets=sheets, zeros=ZEROED, places=PAIR)

    expected = (3.0 / np.sqrt(2.0), 3.0 * np.sqrt(2.0))
    assert stated_u(plan, 300.0, 300.0) == pytest.approx(expected, rel=1e-4)


def test_gauges_of_a_batch_differ_and_share_only_its_mean() -> None:
    """
    2 % between gauges from n = 4: each 2 %·√(1 + 1/4), of which 2 %/√4 is common. At 300 and 300:
    mean √(6²/2 + 3²), difference 6·√2, with ν = 3.
    """
    plan = pair_plan(line(between_gauges=0.02, gauges=4))
    wide = float(student.ppf(0.975, 3.0)) / 2.0 / NORMAL

    expected = (np.sqrt(18.0 + 9.0) * wide, 6.0 * np.sqrt(2.0) * wide)
    assert stated_u(plan, 300.0, 300.0) == pytest.approx(expected, rel=1e-4)


def test_one_thermometer_moves_both_gauges_the_same_way() -> None:
    """3 µm/m per K, 0.2 K: 0.6 on the mean and nothing on the difference, at any strain; from a
    zero on it is nothing on either, since the zero was taken with the same thermometer."""
    output = Temperature(output_um_m=(3.0,), output_factor=FACTOR, yields="mechanical",
                         range_c=(-10.0, 50.0), degrees_of_freedom=None)  # fmt: skip
    plan, zeroed = pair_plan(temperature=output, zeros=()), pair_plan(temperature=output)

    assert stated_u(plan, 300.0, -100.0, ts=20.0) == pytest.approx((0.6, 0.0), rel=1e-4, abs=1e-3)
    assert stated_u(zeroed, 300.0, -100.0, ts=20.0) == pytest.approx((0.0, 0.0), abs=1e-3)


def test_meters_and_unstrained_values_are_each_gauges_own() -> None:
    """1e-5 in δ is 5 µm/m: 5/√2 on the mean, 5·√2 on the difference."""
    plan = pair_plan(line(reading_u=1e-5))

    expected = (5.0 / np.sqrt(2.0), 5.0 * np.sqrt(2.0))
    assert stated_u(plan, 300.0, 300.0) == pytest.approx(expected, rel=1e-4)


def test_derived_u_of_one_gauge_is_the_gauges_own() -> None:
    """Strain along gauge a of a rectangular rosette is its reading, so is its u, spread and all."""
    curve = line(covariance=((1e-4,),), degrees_of_freedom=4.0, between_gauges=0.02, gauges=3,
                 reading_u=2e-6)  # fmt: skip
    plan = derived_plan((*AB, gauge("C")), rosettes=(rosette(),), sheets=(sheet(curve=curve),))
    stream = shown({"A": 400.0, "B": 100.0, "C": -50.0}, [60.0])

    results, _ = run_chain(stream, initial_state(plan), plan)

    own = column(results, "P-A", "strain", "u")[0]
    assert own > 5.0
    assert column(results, "ros", "strain_x", "u")[0] == pytest.approx(own, rel=1e-9)


def test_well_known_is_well_known() -> None:
    """The degrees of freedom of these examples do not widen anything."""
    assert student.ppf(0.975, WELL_KNOWN) / 2.0 == pytest.approx(NORMAL, rel=1e-6)
