"""
Which gauges are fit for use, by the limits that the sheet states and by nothing else.

A gauge that is not fit stays in the batch's curve and spread until somebody leaves it out in
writing: to drop it here would make the batch look better than it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.bench.findings import Finding
from pipeline.bench.saturation import Saturation
from pipeline.bench.sheet import Acceptance

_LARGEST = {
    "linearity_percent": "linearity error {:.2f} % of full scale",
    "hysteresis_percent": "hysteresis {:.2f} % of full scale",
    "zero_return_percent": "zero return {:.2f} % of full scale",
    "repeatability_percent": "repeatability {:.2f} % of the factor",
    "hold_creep_percent": "creep in the hold {:.2f} %",
}


@dataclass(frozen=True)
class Verdict:
    """Of one gauge: fit (True), not fit (False), or not judged for want of any limit (None)."""

    serial: str
    is_fit: bool | None
    reasons: tuple[str, ...]
    """What exceeds a limit, or what a limit asks for and the bench did not show."""


def judge(
    findings: Sequence[Finding],
    saturations: Sequence[Sequence[Saturation]],
    batch_factor: float,
    limits: Acceptance | None,
) -> tuple[Verdict, ...]:
    """
    A verdict on each gauge.

    Args:
        findings: of each gauge.
        saturations: of each gauge by its own runs, tension and compression.
        batch_factor: mean secant factor at full scale.
        limits: of the sheet; None or empty: nothing is judged.
    """
    if limits is None or not limits.model_dump(exclude_none=True):
        return tuple(Verdict(one.serial, None, ()) for one in findings)
    verdicts = []
    for one, sides in zip(findings, saturations, strict=True):
        reasons = (
            *_factor(one, batch_factor, limits),
            *_figures(one, limits),
            *_ends(sides, limits),
        )
        verdicts.append(Verdict(one.serial, not reasons, reasons))
    return tuple(verdicts)


def _factor(one: Finding, batch: float, limits: Acceptance) -> list[str]:
    reasons = []
    if limits.factor_low is not None and one.factor < limits.factor_low:
        reasons.append(f"factor {one.factor:.3f} below {limits.factor_low:g}")
    if limits.factor_high is not None and one.factor > limits.factor_high:
        reasons.append(f"factor {one.factor:.3f} above {limits.factor_high:g}")
    apart = (one.factor / batch - 1.0) * 100.0
    most = limits.factor_from_batch_percent
    if most is not None and abs(apart) > most:
        reasons.append(f"factor {apart:+.2f} % from the batch, limit {most:g} %")
    return reasons


def _figures(one: Finding, limits: Acceptance) -> list[str]:
    reasons = []
    for key, text in _LARGEST.items():
        limit, found = getattr(limits, key), getattr(one, key)
        if limit is None:
            continue
        if math.isnan(found):
            reasons.append(f"no runs that show {key.removesuffix('_percent').replace('_', ' ')}")
        elif abs(found) > limit:
            reasons.append(f"{text.format(found)}, limit {limit:g} %")
    return reasons


def _ends(sides: Sequence[Saturation], limits: Acceptance) -> list[str]:
    least = limits.saturation_um_m
    if least is None:
        return []
    reasons = []
    for side in sides:
        if side.is_reached and abs(side.strain_um_m) < least:
            found = f"saturates in {side.side} at {abs(side.strain_um_m):.0f} µm/m"
            reasons.append(f"{found}, limit {least:g}")
        elif not side.is_reached and abs(side.reached_um_m) < least:
            found = f"{side.side} tried to {abs(side.reached_um_m):.0f} µm/m only"
            reasons.append(f"{found}, limit for saturation {least:g}")
    return reasons
