"""
Bending moment of a beam over one or two spans under point loads: the influence line.

Constant stiffness. Two spans by the theorem of three moments (Clapeyron).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def influence(spans_m: Sequence[float], x_m: float, load_m: npt.ArrayLike) -> Floats:
    """
    Moment at x under a unit load at each of `load_m`, sagging positive, in N·m per N.

    With the load at a from the outer support of a span L, the moment over the inner support is
    -a·(L² - a²)/(2·L·(L1 + L2)).

    Args:
        spans_m: one length or two [m].
        x_m: section, from the first support [m].
        load_m: places of the load, any shape; beside the beam gives 0.

    Raises:
        ValueError: neither one nor two spans, or x outside them.
    """
    load = np.asarray(load_m, dtype=np.float64)
    if len(spans_m) not in (1, 2):
        raise ValueError(f"{len(spans_m)} spans; this beam has one or two")
    if not 0 <= x_m <= sum(spans_m):
        raise ValueError(f"section at {x_m} m; the spans end at {sum(spans_m)} m")
    on_beam = (load >= 0) & (load <= sum(spans_m))
    if len(spans_m) == 1:
        return np.where(on_beam, _simple(spans_m[0], x_m, load), 0.0)
    left, right = spans_m
    far = left + right - load
    over_pier = np.where(
        load <= left,
        -load * (left**2 - load**2) / (2 * left * (left + right)),
        -far * (right**2 - far**2) / (2 * right * (left + right)),
    )
    if x_m <= left:
        own = np.where(load <= left, _simple(left, x_m, load), 0.0)
        moment = own + over_pier * x_m / left
    else:
        own = np.where(load > left, _simple(right, x_m - left, load - left), 0.0)
        moment = own + over_pier * (left + right - x_m) / right
    return np.where(on_beam, moment, 0.0)


def _simple(length: float, x: float, load: Floats) -> Floats:
    return np.where(load >= x, x * (length - load) / length, load * (length - x) / length)
