"""
From what an instrument shows to the relative resistance change δ of a gauge, in exact forms.

A bridge output is e = V_out/V_exc [V/V]; tension in arm 1 gives a positive e. Arms 1 and 2 are
adjacent, 1 and 3 opposite. r = e - e_unstrained. What has no physical solution is NaN.

Ref: J. W. Dally, W. F. Riley, Experimental Stress Analysis, Wheatstone bridge circuits.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper near 20 °C [1/K] (IEC 60028)."""


def arm_ratio(e: npt.ArrayLike) -> Floats:
    """
    Ratio of the active arm to the arm beside it, x = (½ + e)/(½ - e); exact.

    Args:
        e: bridge output [V/V] of one active arm, the other half symmetric.

    Returns:
        x of the shape of e; NaN where |e| >= ½, which no positive resistance gives.
    """
    ratio = np.asarray(e, np.float64)
    possible = np.abs(ratio) < 0.5
    safe = np.where(possible, ratio, 0.0)
    return np.where(possible, (0.5 + safe) / (0.5 - safe), np.nan)


def quarter_bridge_delta(e: npt.ArrayLike, e_unstrained: float = 0.0) -> Floats:
    """
    δ of the one active arm, x/x0 - 1 with x of `arm_ratio`: the imbalance is included.

    Written as (e - e0)/((½ - e)(½ + e0)), which keeps the digits of a small strain. Its balanced
    case is the textbook form δ = 4r/(1 - 2r). NaN where |e| >= ½.
    """
    ratio = np.asarray(e, np.float64)
    possible = np.abs(ratio) < 0.5
    safe = np.where(possible, ratio, 0.0)
    delta = (safe - e_unstrained) / ((0.5 - safe) * (0.5 + e_unstrained))
    return np.where(possible, delta, np.nan)


def half_bridge_output(e: npt.ArrayLike, e_unstrained: float) -> Floats:
    """
    r that a half bridge balanced at rest would show for the same change of its two arms.

    r = (e - e0)/(1 - 4·e·e0), exact, since the half bridge knows the ratio of its arms. NaN where
    |e| >= ½.
    """
    ratio = np.asarray(e, np.float64)
    possible = np.abs(ratio) < 0.5
    safe = np.where(possible, ratio, 0.0)
    balanced = (safe - e_unstrained) / (1.0 - 4.0 * safe * e_unstrained)
    return np.where(possible, balanced, np.nan)


def half_bending_delta(r: npt.ArrayLike) -> Floats:
    """δ of arm 1 of a half bridge in bending (arm 2 feels -δ): r = δ/2. NaN where |δ| >= 1."""
    return _physical(2.0 * np.asarray(r, np.float64))


def full_bending_delta(r: npt.ArrayLike) -> Floats:
    """δ of arm 1 of a full bridge in bending (arms +, -, +, -): r = δ. NaN where |δ| >= 1."""
    return _physical(np.asarray(r, np.float64))


def half_poisson_delta(r: npt.ArrayLike, poisson: float) -> Floats:
    """
    δ of arm 1 where arm 2 lies across the strain: r = δ(1+ν)/(4 + 2δ(1-ν)), solved for δ.

    δ = 4r/((1+ν) - 2r(1-ν)). NaN where an arm's resistance would not be above zero.
    """
    ratio = np.asarray(r, np.float64)
    return _solved(4.0 * ratio, (1.0 + poisson) - 2.0 * ratio * (1.0 - poisson))


def full_poisson_bending_delta(r: npt.ArrayLike, poisson: float) -> Floats:
    """
    δ of arm 1 with Poisson pairs on both faces in bending (arms δ, -νδ, +νδ, -δ), exact.

    r = 2δ(1+ν)/(4 - (1-ν)²δ²), so δ = 4r/((1+ν) + √((1+ν)² + 4(1-ν)²r²)); the textbook form
    r = δ(1+ν)/2 is its beginning, 5e-5 away at δ = 0.02. NaN where |δ| >= 1.
    """
    ratio = np.asarray(r, np.float64)
    root = np.sqrt((1.0 + poisson) ** 2 + (2.0 * (1.0 - poisson) * ratio) ** 2)
    return _physical(4.0 * ratio / ((1.0 + poisson) + root))


def full_poisson_axial_delta(r: npt.ArrayLike, poisson: float) -> Floats:
    """
    δ of arm 1 with two Poisson pairs along the strain: r = δ(1+ν)/(2 + δ(1-ν)), solved for δ.

    δ = 2r/((1+ν) - r(1-ν)). NaN where an arm's resistance would not be above zero.
    """
    ratio = np.asarray(r, np.float64)
    return _solved(2.0 * ratio, (1.0 + poisson) - ratio * (1.0 - poisson))


def arm_resistance(gauge: npt.ArrayLike, series: float, leakage: float | None) -> Floats:
    """
    Resistance that the instrument sees: the gauge beside its leakage, in series with leads.

    Args:
        gauge: resistance of the gauge [Ω].
        series: resistance of the leads in its arm [Ω]: R_L of a three-wire, 2·R_L of a two-wire
            connection.
        leakage: insulation resistance across the gauge [Ω]; None: none.
    """
    resistance = np.asarray(gauge, np.float64)
    if leakage is not None:
        resistance = resistance * leakage / (resistance + leakage)
    return np.asarray(resistance + series)


def gauge_resistance(arm: npt.ArrayLike, series: float | Floats, leakage: float | None) -> Floats:
    """
    Resistance of the gauge alone [Ω]: undoes `arm_resistance`.

    NaN where nothing above zero is left, or where the leakage alone would show less.
    """
    resistance = np.asarray(arm, np.float64) - series
    if leakage is not None:
        below = resistance < leakage
        resistance = np.where(
            below, resistance * leakage / np.where(below, leakage - resistance, 1.0), np.nan
        )
    return np.where(resistance > 0.0, resistance, np.nan)


def resistance_delta(resistance: npt.ArrayLike, reference: float) -> Floats:
    """δ = R/R0 - 1; NaN where R is not above zero."""
    value = np.asarray(resistance, np.float64)
    return np.where(value > 0.0, value / reference - 1.0, np.nan)


def shunt_delta(gauge: float, shunt: float) -> float:
    """δ that a shunt resistor across the gauge simulates: -R0/(R0 + R_s)."""
    return -gauge / (gauge + shunt)


def copper_lead_delta(lead: float, gauge: float, temperature_change: npt.ArrayLike) -> Floats:
    """δ that warming two-wire copper leads add: 2·R_L·0.00393·ΔT/R0."""
    change = np.asarray(temperature_change, np.float64)
    return np.asarray(2.0 * lead * COPPER_PER_K * change / gauge)


def _physical(delta: Floats) -> Floats:
    """In bending the opposite arm feels -δ, so both stay above zero only while |δ| < 1."""
    return np.where(np.abs(delta) < 1.0, delta, np.nan)


def _solved(numerator: Floats, denominator: Floats) -> Floats:
    """numerator/denominator where it leaves the arm a resistance: δ > -1, finite."""
    possible = denominator > 0.0
    delta = numerator / np.where(possible, denominator, 1.0)
    return np.where(possible & (delta > -1.0), delta, np.nan)
