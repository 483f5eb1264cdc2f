"""
The figures of a bench report as a person reads them: rounded, with their units, in rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.bench.calibrate import Figures
from pipeline.bench.choose import Trial, gauge_figures, leaves_out
from pipeline.bench.outcome import Outcome
from pipeline.bench.saturation import DRAWS, Saturation
from pipeline.physics.regression import lag1_autocorrelation
from pipeline.physics.uncertainty import combined, coverage_factor

Rows = tuple[tuple[str, ...], ...]
_NONE = "–"
_FIT = {True: "fit", False: "NOT FIT", None: "not judged"}
_LEVELS = 6
"""Most levels shown in the table of repeatability: the page has an end."""


@dataclass(frozen=True)
class Facts:
    """Rows of text for each table of the report; the first cell names the row."""

    key: Rows
    budget: Rows
    strain: Rows
    shapes: Rows
    verdicts: Rows
    levels: Rows
    anova: Rows
    reasons: tuple[str, ...]


def facts(found: Figures) -> Facts:
    """Every table of the report."""
    return Facts(
        key=_key(found),
        budget=_budget(found),
        strain=tuple((name, percent(share)) for name, share in found.shares.items() if share > 0.0),
        shapes=_shapes(found),
        verdicts=_verdicts(found),
        levels=_levels(found),
        anova=_anova(found),
        reasons=tuple(
            f"{one.serial}: {'; '.join(one.reasons)}." for one in found.verdicts if one.reasons
        ),
    )


def stated(value: float, u95: float) -> str:
    """Value ± U95, both to the digit that U95 gives at two figures (JCGM 100, 7.2.6)."""
    if not (math.isfinite(u95) and u95 > 0.0):
        return f"{value:.4g}"
    digits = max(0, 1 - math.floor(math.log10(u95)))
    return f"{value:.{digits}f} ± {u95:.{digits}f}"


def percent(share: float) -> str:
    """A share in per cent, two figures and never more than three decimals."""
    value = share * 100.0
    if not math.isfinite(value):
        return _NONE
    return f"{value:.2f} %" if abs(value) >= 0.095 else f"{value:.3f} %"


def number(value: float, digits: int) -> str:
    """A number with so many decimals, or a dash for none."""
    return minus(f"{value:.{digits}f}") if math.isfinite(value) else _NONE


def minus(text: str) -> str:
    """A figure with the minus sign that is as wide as its digits."""
    return text.replace("-", "−")


def _key(found: Figures) -> Rows:
    fit = found.fitted
    full = found.full_scale
    u_full = 2.0 * float(fit.half_u95(np.array([full]))[0]) / abs(full)
    small = 1e-3 * full
    u_zero = 2.0 * float(fit.half_u95(np.array([small]))[0]) / abs(small)
    lo, hi = (end * 1e6 for end in (fit.shape.lo, fit.shape.hi))
    precision = found.precision.precision
    worst = max(found.findings, key=lambda one: one.linearity_percent)
    rows = [
        ("Factor, secant at FS", stated(found.factor, u_full), "U95, new gauge"),
        ("Factor, tangent at zero", stated(float(fit.curve.slope(0.0)), u_zero), "U95, new gauge"),
        ("Calibrated range", f"{lo:.0f} to {hi:.0f} µm/m", "both ends"),
        ("Linearity error", number(worst.linearity_percent, 2) + " % FS", "worst gauge"),
        ("Hysteresis", _worst(found, "hysteresis_percent") + " % FS", "worst run"),
        ("Zero return", _worst(found, "zero_return_percent") + " % FS", "worst run"),
        ("Creep in the hold", *_creep(found)),
        ("Repeatability s_r", percent(precision.s_r / abs(precision.mean)), "of the factor"),
        ("Reproducibility s_R", percent(precision.s_R / abs(precision.mean)), "of the factor"),
        *(_end(one) for one in found.saturations),
    ]
    if found.foil is not None:
        ratio = stated(found.foil.ratio, 2.0 * found.foil.ratio_u)
        word = "agree" if found.foil.agrees else "DISAGREE"
        rows.append(("Foil over beam theory", ratio, minus(f"E_n {found.foil.e_n:+.2f}, {word}")))
    return tuple((name, minus(value), note) for name, value, note in rows)


def _worst(found: Figures, key: str) -> str:
    values = [getattr(one, key) for one in found.findings]
    finite = [value for value in values if math.isfinite(value)]
    return number(max(finite, key=abs), 2) if finite else _NONE


def _creep(found: Figures) -> tuple[str, str]:
    held = [one for one in found.findings if math.isfinite(one.hold_creep_percent)]
    if not held:
        return _NONE, "no hold under load"
    worst = max(held, key=lambda one: abs(one.hold_creep_percent))
    return f"{worst.hold_creep_percent:+.2f} %", f"in {worst.hold_s / 60:.0f} min"


def _end(one: Saturation) -> tuple[str, str, str]:
    name = f"Saturation, {one.side}"
    low, high = abs(one.low_um_m), abs(one.high_um_m)
    if not one.is_reached and not math.isfinite(low):
        return name, f"not to {one.reached_um_m:.0f} µm/m", f"in 0 of {DRAWS} draws"
    value = f"{one.strain_um_m:.0f} µm/m" if one.is_reached else "not in range"
    upper = f"{math.copysign(high, one.reached_um_m):.0f}" if math.isfinite(high) else "beyond"
    interval = f"95 %: {math.copysign(low, one.reached_um_m):.0f} to {upper}"
    return name, value, minus(interval)


def _budget(found: Figures) -> Rows:
    """Relative standard uncertainties of the secant factor at full scale, another gauge's."""
    fit, full = found.fitted, found.full_scale
    at = np.array([full])
    load = float(fit.curve.delta(full))
    tangent = float(fit.curve.slope(full)) * full / load
    parts = fit.components(at)
    curve, _ = parts["curve"]
    strain = fit.strain_u * abs(tangent)
    own = math.sqrt(max(float(np.asarray(curve)[0]) / load**2 - strain**2, 0.0))
    rows = [("applied strain, common to all", percent(strain), "∞")]
    if "between_gauges" in parts:
        between, between_freedom = parts["between_gauges"]
        share = math.sqrt(float(np.asarray(between)[0])) / abs(load)
        name = f"between gauges, ×√(1 + 1/{fit.gauges})"
        rows.append((name, percent(share), f"{between_freedom:.0f}"))
    name = "shape between gauges" if fit.gauges > 1 else "between runs"
    own_freedom = (fit.gauges if fit.gauges > 1 else found.findings[0].runs) - 1
    if own > 5e-6:
        rows.append((name, percent(own), f"{own_freedom}"))
    u, effective = combined(parts.values(), 1)
    factor = float(coverage_factor(effective)[0])
    shown = f"{effective[0]:.1f}" if effective[0] < 1000 else "∞"
    rows.append(("together, ν effective", percent(float(u[0]) / abs(load)), shown))
    rows.append(("U95", percent(factor * float(u[0]) / abs(load)), f"t = {factor:.2f}"))
    return tuple(rows)


def _shapes(found: Figures) -> Rows:
    output = abs(found.factor * found.full_scale)
    rows: list[tuple[str, ...]] = []
    for trial in found.trials:
        if trial.refused:
            rows.append((_name(trial), "refused", _NONE))
            continue
        name = _name(trial) + (", chosen" if trial is found.trial else "")
        score = f"{trial.score / output * 100:.3f}"
        rows.append((name, score, number(_pattern(found, trial), 2)))
    score = f"{found.intercept.score / output * 100:.3f}"
    rows.append(("(line with intercept)", score, _NONE))
    return tuple(rows)


def _name(trial: Trial) -> str:
    return "line" if trial.shape.kind == "line" else trial.shape.kind


def _pattern(found: Figures, trial: Trial) -> float:
    """Lag-1 autocorrelation of what the shape misses at the levels, in the order of strain."""
    own = gauge_figures(trial)
    left = [
        lag1_autocorrelation(gauge.means() - trial.shape.curve(figures).delta(gauge.strains))
        for gauge, figures in zip(found.gauges, own, strict=True)
    ]
    return float(np.mean(left))


def _verdicts(found: Figures) -> Rows:
    precision = found.precision
    return tuple(
        (
            one.serial,
            str(one.runs),
            number(one.factor, 3),
            number((one.factor / found.factor - 1.0) * 100.0, 2),
            number(one.repeatability_percent, 2),
            number(one.linearity_percent, 2),
            number(one.hysteresis_percent, 2),
            number(one.zero_return_percent, 2),
            number(one.hold_creep_percent, 2),
            number(h, 2),
            number(k, 2),
            _FIT[verdict.is_fit],
        )
        for one, verdict, h, k in zip(
            found.findings, found.verdicts, precision.h, precision.k, strict=True
        )
    )


def _levels(found: Figures) -> Rows:
    levels = found.levels
    if len(levels) > _LEVELS:
        keep = np.unique(np.round(np.linspace(0, len(levels) - 1, _LEVELS)).astype(int))
        levels = tuple(levels[int(i)] for i in keep)
    rows = [(minus(f"{one.strain_um_m:.0f}"), one.precision) for one in levels]
    rows.append(("at FS, by the curve", found.precision.precision))
    return tuple(
        (
            name,
            number(one.mean, 3),
            percent(one.s_r / abs(one.mean)),
            percent(one.s_l / abs(one.mean)),
            percent(one.s_R / abs(one.mean)),
        )
        for name, one in rows
    )


def _anova(found: Figures) -> Rows:
    table = found.precision.table
    if table is None:
        return ()
    return (
        (
            "between gauges",
            f"{table.between_ss:.4g}",
            str(table.between_freedom),
            f"{table.between_ms:.4g}",
            f"{table.f_statistic:.1f}" if math.isfinite(table.f_statistic) else _NONE,
        ),
        (
            "within gauges",
            f"{table.within_ss:.4g}",
            str(table.within_freedom),
            f"{table.within_ms:.4g}",
            "",
        ),
    )


def estimates(outcome: Outcome) -> Rows:
    """Every figure of chamber, hold and rest: name, value, u, its share, ν, and whether it is 0."""
    found = []
    for fit in (outcome.chamber, outcome.hold):
        found += list(fit.figures.estimates) if fit is not None else []
    return tuple(
        (
            one.name,
            minus(f"{one.value:.4g}"),
            f"{one.u:.2g}",
            one.unit,
            f"{one.degrees_of_freedom:.0f}" if one.degrees_of_freedom < 1e5 else "∞",
            "" if one.is_significant else "not told from 0",
        )
        for one in found
    )


def left_out_words(found: Figures) -> str:
    """What the cross-validation left out, for the head of its table."""
    return f"{leaves_out(found.gauges)}s left out"
