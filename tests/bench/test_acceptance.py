"""
Fit or not fit, by stated limits only, with every reason.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pipeline.bench.acceptance import Verdict, judge
from pipeline.bench.findings import Finding
from pipeline.bench.saturation import Saturation
from pipeline.bench.sheet import Acceptance

GAUGE = Finding(
    serial="G",
    runs=3,
    factor=20.4,
    run_factors=(20.3, 20.4, 20.5),
    tangent_at_zero=21.0,
    linearity_percent=1.2,
    hysteresis_percent=0.5,
    zero_return_percent=-0.3,
    repeatability_percent=0.49,
    hold_creep_percent=-0.8,
    hold_s=600.0,
)
NOT_REACHED = Saturation("tension", 1050.0, math.inf, math.inf, math.inf)


def verdict(limits: Acceptance | None, gauge: Finding = GAUGE) -> Verdict:
    """The verdict on one gauge of a batch of factor 20."""
    return judge([gauge], [(NOT_REACHED,)], 20.0, limits)[0]


@pytest.mark.parametrize("limits", [None, Acceptance()])
def test_without_limits_nothing_is_judged(limits: Acceptance | None) -> None:
    """There are no built-in limits: neither fit nor unfit."""
    assert verdict(limits) == Verdict("G", None, ())


@pytest.mark.parametrize(
    ("key", "good", "bad", "words"),
    [
        ("factor_low", 20.4, 20.5, "factor 20.400 below 20.5"),
        ("factor_high", 20.4, 20.3, "factor 20.400 above 20.3"),
        ("factor_from_batch_percent", 2.1, 1.9, "factor +2.00 % from the batch, limit 1.9 %"),
        ("linearity_percent", 1.2, 1.1, "linearity error 1.20 % of full scale, limit 1.1 %"),
        ("hysteresis_percent", 0.5, 0.4, "hysteresis 0.50 %"),
        ("zero_return_percent", 0.3, 0.2, "zero return -0.30 %"),
        ("repeatability_percent", 0.49, 0.4, "repeatability 0.49 % of the factor"),
        ("hold_creep_percent", 0.8, 0.7, "creep in the hold -0.80 %"),
        ("saturation_um_m", 1050.0, 1100.0, "tension tried to 1050 µm/m only"),
    ],
)
def test_each_limit_is_kept_or_named(key: str, good: float, bad: float, words: str) -> None:
    """At the limit a gauge is fit, beyond it is not, and the reason has figure and limit."""
    fit, unfit = verdict(Acceptance(**{key: good})), verdict(Acceptance(**{key: bad}))

    assert fit == Verdict("G", True, ())
    assert unfit.is_fit is False
    assert len(unfit.reasons) == 1
    assert words in unfit.reasons[0]


def test_what_the_bench_did_not_show_is_not_passed() -> None:
    """A limit on creep and no hold: not fit, since NaN is below no limit."""
    gauge = replace(GAUGE, hold_creep_percent=math.nan)

    found = verdict(Acceptance(hold_creep_percent=1.0), gauge)

    assert found.is_fit is False
    assert found.reasons == ("no runs that show hold creep",)


def test_saturation_below_the_limit_is_named() -> None:
    """Saturated at 700 where 900 is asked for."""
    sides = [(Saturation("tension", 1050.0, 700.0, 650.0, 760.0),)]

    (found,) = judge([GAUGE], sides, 20.0, Acceptance(saturation_um_m=900.0))

    assert found.reasons == ("saturates in tension at 700 µm/m, limit 900",)


def test_every_reason_is_told() -> None:
    """Two limits exceeded are two reasons."""
    found = verdict(Acceptance(linearity_percent=1.0, hysteresis_percent=0.1))

    assert len(found.reasons) == 2
