"""
What an instrument does to a resistance: dividers, input resistance, and alternating current.

A meter of input resistance R_m stands in parallel with what it reads. Across the output of a
bridge it divides the open output by 1 + R_out/R_m, with R_out = R1·R2/(R1 + R2) +
R3·R4/(R3 + R4) (Thevenin). Alternating current sees the cable's capacitance beside the gauge: with
admittance Y = 1/Z the gauge is 1/Re(Y) = (Re(Z)² + Im(Z)²)/Re(Z), not Re(Z).

Ref: any text on circuits; J. W. Dally, W. F. Riley, Experimental Stress Analysis.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def divider_resistance(ratio: npt.ArrayLike, reference: float) -> Floats:
    """
    Resistance across which a divider's output is taken: V/V_exc = R/(R + R_ref), solved for R.

    Args:
        ratio: V/V_exc.
        reference: R_ref, the resistor in series with it [Ω].

    Returns:
        R [Ω]; 0 where the ratio is not above 0 (shorted), infinite where it is not below 1 (open).
    """
    share = np.asarray(ratio, np.float64)
    possible = (share > 0.0) & (share < 1.0)
    safe = np.where(possible, share, 0.5)
    beyond = np.where(share >= 1.0, np.inf, np.where(share <= 0.0, 0.0, np.nan))
    return np.where(possible, reference * safe / (1.0 - safe), beyond)


def parallel_resistance(real: npt.ArrayLike, imaginary: npt.ArrayLike) -> Floats:
    """
    1/Re(Y) of an impedance: the resistance that has the capacitance beside it.

    Args:
        real: Re(Z) [Ω], shape (n,).
        imaginary: Im(Z) [Ω] of the same instants; its sign does not matter.

    Returns:
        [Ω]; infinite where Re(Y) is not above 0 (an open gauge leaves its cable, whose
        conductance is noise of either sign), 0 where Z is 0, NaN where either part is.
    """
    re, im = np.asarray(real, np.float64), np.asarray(imaginary, np.float64)
    square = re**2 + im**2
    conducts = re > 0.0
    resistance = np.where(conducts, square / np.where(conducts, re, 1.0), np.inf)
    resistance = np.where(square == 0.0, 0.0, resistance)
    return np.where(np.isnan(square), np.nan, resistance)


def open_output(e: npt.ArrayLike, arm: float, meter: float, *, one_arm: bool) -> Floats:
    """
    Output that a bridge would show to a meter of infinite input resistance.

    e = e_s·(1 + ρ) with ρ = R/R_m and four arms about equal; for one active arm, which alone moves
    R_out, e = e_s·(1 + ρ)/(1 - ρ·e_s), exact for three arms of R.

    Args:
        e: e_s as shown [V/V].
        arm: R, resistance of an arm [Ω].
        meter: R_m, input resistance [Ω].
        one_arm: whether one arm alone is active.

    Returns:
        of the shape of e; NaN where no arm above zero gives e.
    """
    shown, load = np.asarray(e, np.float64), arm / meter
    if not one_arm:
        return np.asarray(shown * (1.0 + load))
    possible = load * shown < 1.0
    safe = np.where(possible, shown, 0.0)
    return np.where(possible, safe * (1.0 + load) / (1.0 - load * safe), np.nan)
