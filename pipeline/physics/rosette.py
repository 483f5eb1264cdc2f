"""
Three-gauge rosettes: from three readings at a place to its plane strain, principal strains, stress.

A gauge at angle t (counterclockwise from x) lies along ε(t) and across ε(t + 90°):

    ε(t) = ε_x·cos²t + ε_y·sin²t + γ_xy·sin t·cos t

With transverse sensitivity K_t, and its factor found on a bar of Poisson's ratio ν_0 in uniaxial
stress, it reads ε̂ = (ε(t) + K_t·ε(t + 90°))/(1 - ν_0·K_t): linear in (ε_x, ε_y, γ_xy), so that
three gauges of any three directions give them by one 3×3 inverse. Rectangular (0/45/90) and delta
(0/60/120) are two cases of it.

    ε_1,2 = (ε_x + ε_y)/2 ± √(((ε_x - ε_y)/2)² + (γ_xy/2)²), tan 2φ = γ_xy/(ε_x - ε_y)
    σ_1 = E/(1 - ν²)·(ε_1 + ν·ε_2), σ_2 likewise (plane stress)

γ is engineering shear strain. φ is the angle from x to the direction of ε_1, counterclockwise
seen from outside, in (-π/2, π/2]; where ε_x = ε_y and γ = 0 every direction is principal, and φ is
0 by convention. Strains are m/m, angles rad, stresses Pa.

Ref: any text on the mechanics of materials, strain transformation and plane stress; K_t and its
definition in uniaxial stress: ASTM E251. Check values: Hibbeler and Philpot, in its tests.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def rosette_matrix(
    angles: npt.ArrayLike, transverse: npt.ArrayLike = 0.0, calibration_poisson: float = 0.0
) -> Floats:
    """
    M in ε̂ = M·(ε_x, ε_y, γ_xy), shape (k, 3); k = 3 directions that differ make it invertible.

    Args:
        angles: of the gauges from x, shape (k,).
        transverse: K_t, one number or shape (k,).
        calibration_poisson: ν_0 of the bar on which the gauges' factor was found.
    """
    t = np.asarray(angles, np.float64)
    kt = np.broadcast_to(np.asarray(transverse, np.float64), t.shape)
    c, s = np.cos(t), np.sin(t)
    rows = np.stack((c**2 + kt * s**2, s**2 + kt * c**2, (1.0 - kt) * s * c), axis=-1)
    return np.asarray(rows / (1.0 - calibration_poisson * kt)[:, None])


def direction_slopes(strain: Floats, angles: npt.ArrayLike) -> tuple[Floats, Floats]:
    """
    What the k gauges' strains change by when something of the gauge is not as stated.

    Args:
        strain: (ε_x, ε_y, γ_xy), shape (n, 3).
        angles: of the gauges from x, shape (k,).

    Returns:
        dε(t)/dt, and ε(t + 90°), which a change of K_t lets in; shape (n, k) each.
    """
    t = np.asarray(angles, np.float64)
    x, y, shear = (strain[:, i, None] for i in range(3))
    turning = (y - x) * np.sin(2.0 * t) + shear * np.cos(2.0 * t)
    across = x * np.sin(t) ** 2 + y * np.cos(t) ** 2 - shear * np.sin(t) * np.cos(t)
    return np.asarray(turning), np.asarray(across)


def rotated_strain(strain: Floats, angle: npt.ArrayLike) -> Floats:
    """(ε_x, ε_y, γ_xy) in axes turned counterclockwise by `angle`, shape (n, 3)."""
    turn = np.asarray(angle, np.float64)
    x, y, shear = strain[:, 0], strain[:, 1], strain[:, 2]
    mean, half = (x + y) / 2.0, (x - y) / 2.0
    along = half * np.cos(2.0 * turn) + shear / 2.0 * np.sin(2.0 * turn)
    across = shear * np.cos(2.0 * turn) - 2.0 * half * np.sin(2.0 * turn)
    return np.stack((mean + along, mean - along, across), axis=-1)


def principal_strain(strain: Floats) -> Floats:
    """
    Columns ε_1, ε_2, φ and the greatest shear in the plane, γ_max = ε_1 - ε_2; shape (n, 4).

    Args:
        strain: (ε_x, ε_y, γ_xy), shape (n, 3); NaN stays.
    """
    x, y, shear = strain[:, 0], strain[:, 1], strain[:, 2]
    mean, radius = (x + y) / 2.0, np.hypot(x - y, shear) / 2.0
    # atan2(-0.0, negative) is -π: an end that is not in the range, for the one that is.
    angle = 0.5 * np.arctan2(shear, x - y)
    angle = np.where(angle <= -np.pi / 2.0, np.pi / 2.0, angle)
    return np.stack((mean + radius, mean - radius, angle, 2.0 * radius), axis=-1)


def principal_slopes(strain: Floats) -> Floats:
    """
    Derivatives of the columns of `principal_strain` by (ε_x, ε_y, γ_xy), shape (n, 4, 3).

    Where every direction is principal, that of the angle is 0/0 and comes as infinite; those of
    the strains are taken along φ = 0.
    """
    x, y, shear = strain[:, 0], strain[:, 1], strain[:, 2]
    width, size = x - y, np.hypot(x - y, shear)
    is_round = size == 0.0
    safe = np.where(is_round, 1.0, size)
    cosine, sine = np.where(is_round, 1.0, width / safe), np.where(is_round, 0.0, shear / safe)
    slopes = np.empty((len(strain), 4, 3))
    slopes[:, 0] = np.stack(((1.0 + cosine) / 2.0, (1.0 - cosine) / 2.0, sine / 2.0), axis=-1)
    slopes[:, 1] = np.stack(((1.0 - cosine) / 2.0, (1.0 + cosine) / 2.0, -sine / 2.0), axis=-1)
    turn = np.stack((-sine, sine, cosine), axis=-1) / (2.0 * safe)[:, None]
    slopes[:, 2] = np.where(is_round[:, None], np.inf, turn)
    slopes[:, 3] = slopes[:, 0] - slopes[:, 1]
    return slopes


def plane_stress(
    first: npt.ArrayLike, second: npt.ArrayLike, modulus: float, poisson: float
) -> Floats:
    """
    Stresses along two directions at right angles without shear strain between them, shape (n, 2).

    Args:
        first, second: strains along the two, shape (n,).
        modulus: E [Pa].
        poisson: ν, below 1.
    """
    stiffness = modulus / (1.0 - poisson**2)
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    return np.stack((stiffness * (a + poisson * b), stiffness * (b + poisson * a)), axis=-1)


def worst_amplification(angles: npt.ArrayLike) -> float:
    """
    Most by which three directions multiply errors of the gauges: the 2-norm of M⁻¹.

    1.6 for 0/60/120, 2.5 for 0/45/90; infinite where two directions are the same.
    """
    smallest = float(np.linalg.svd(rosette_matrix(angles), compute_uv=False)[-1])
    return 1.0 / smallest if smallest > 1e-12 else float("inf")
