"""
Strain on a rectangular cantilever under a tip load, and at a layer that stands off its surface.

ε = 6·P·(L - x)/(E·b·h²) at the surface, distances from the clamp; P positive bends so that the
gauge's side is in tension. Bending strain grows with the distance from the neutral axis h/2, so
that a layer t above the surface feels ε·(1 + 2t/h). Over the length of a grid ε is linear in x:
its mean is the value at the centre.

Ref: any text on the mechanics of materials, bending of a rectangular section: M = P·(L - x),
W = b·h²/6, ε = M/(W·E).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def cantilever_strain(
    load: npt.ArrayLike, arm: float, width: float, thickness: float, modulus: float
) -> Floats:
    """
    Surface strain of a rectangular cantilever.

    Args:
        load: P at the tip [N]; NaN stays.
        arm: from the load to the gauge's centre, L - x [m].
        width: b [m].
        thickness: h [m].
        modulus: E [Pa].

    Ref: docstring of this module.
    """
    return np.asarray(6.0 * np.asarray(load, np.float64) * arm / (modulus * width * thickness**2))


def standoff_ratio(standoff: float, thickness: float) -> float:
    """
    Strain of a layer over that of the surface in bending, 1 + 2t/h.

    Args:
        standoff: t, from the surface to the middle of the layer [m].
        thickness: h of the bar [m].
    """
    return 1.0 + 2.0 * standoff / thickness
