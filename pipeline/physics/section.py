"""
A plane through the strains of a cross-section: axial strain, curvatures, neutral axis, forces.

Plane sections stay plane (Bernoulli), so that the strains along the member at the points of one
section lie on

    ε(y, z) = ε_0 + κ_y·(z - z_r) + κ_z·(y - y_r)

with ε_0 at the reference (y_r, z_r). κ_y is from bending about y and grows strain with z; κ_z
likewise with y. Fitted by least squares with weights 1/u² of each strain; the fit is a linear map
of the strains, so that its uncertainty follows from their whole covariance V, correlations
included. Weights from V itself would be thrown off by an error that multiplies all strains.

Whether the points lie on a plane does not depend on the weights: with N an orthonormal basis of
all combinations of the points that every plane makes zero (NᵀX = 0),

    χ² = (Nᵀε)ᵀ·(NᵀVN)⁻¹·(Nᵀε), k - p degrees of freedom.

With E, A, I about axes through the centroid (y_r, z_r):

    N = E·A·ε_0, M_y = ∫σ·z dA = E·(I_y·κ_y + I_yz·κ_z), M_z = ∫σ·y dA = E·(I_z·κ_z + I_yz·κ_y)

tension positive; M_y is positive when it pulls the side of greater z. The neutral axis is where
ε = 0: at y = y_r it passes through z = z_r - ε_0/κ_y.

Ref: any text on the mechanics of materials, unsymmetric bending; covariance through a linear map:
JCGM 102; χ² of what a fit leaves over under correlated errors: any text on linear models.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bending = Literal["y", "z", "both"]

_SMALLEST = 1e-9
"""Standard uncertainty [m/m] below which a strain is not believed: keeps weights finite."""


def section_design(
    y: npt.ArrayLike, z: npt.ArrayLike, reference: tuple[float, float], bending: Bending
) -> Floats:
    """
    X of ε = X·b, shape (k, p): b is (ε_0, κ_y), (ε_0, κ_z) or (ε_0, κ_y, κ_z).

    Args:
        y, z: of the points [m], shape (k,).
        reference: (y_r, z_r) [m].
        bending: about y, about z, or both.
    """
    across = np.asarray(y, np.float64) - reference[0]
    up = np.asarray(z, np.float64) - reference[1]
    columns = {"y": (up,), "z": (across,), "both": (up, across)}[bending]
    return np.stack((np.ones(len(up)), *columns), axis=-1)


def determines_plane(design: Floats) -> bool:
    """Whether the points fix every coefficient: enough of them, and not in one line."""
    if len(design) < design.shape[1]:
        return False
    away = design[:, 1:] - design[:, 1:].mean(axis=0)
    if not np.isfinite(away).all() or not np.abs(away).max() > 0.0:
        return False
    spread = np.linalg.svd(away, compute_uv=False)
    return bool(spread[-1] > 1e-3 * spread[0])


def fit_operator(design: Floats, variance: Floats) -> Floats:
    """
    A of b = A·ε, (XᵀWX)⁻¹XᵀW with W = 1/variance, shape (n, p, k).

    Args:
        design: X of `section_design`, shape (k, p).
        variance: of each strain, above or 0, finite, shape (n, k).

    Raises:
        numpy.linalg.LinAlgError: the points do not fix a plane; see `determines_plane`.
    """
    # Lengths of one size, whatever the section's: the normal equations keep their digits.
    length = np.sqrt(np.sum(design**2, axis=0))
    x = design / length
    weight = 1.0 / np.maximum(variance, _SMALLEST**2)
    weight = weight / weight.max(axis=1, keepdims=True)
    weighted = x.T[None] * weight[:, None, :]
    return np.asarray(np.linalg.solve(weighted @ x, weighted) / length[:, None])


def off_plane_basis(design: Floats) -> Floats:
    """N: what of k strains no plane can explain, orthonormal, shape (k, k - p)."""
    q, _ = np.linalg.qr(design, mode="complete")
    return np.asarray(q[:, design.shape[1] :])


def plane_chi2(strain: Floats, covariance: Floats, basis: Floats) -> Floats:
    """
    χ² of the points' distance from their plane, shape (n,).

    Args:
        strain: shape (n, k), finite.
        covariance: V of the strains, shape (n, k, k).
        basis: N of `off_plane_basis`, shape (k, k - p), k above p.

    Ref: docstring of this module; worked by hand and against random draws in its tests.
    """
    left = strain @ basis
    spread = basis.T @ covariance @ basis
    spread = spread + _SMALLEST**2 * np.eye(basis.shape[1])
    scaled = np.linalg.solve(spread, left[:, :, None])[:, :, 0]
    return np.asarray(np.sum(left * scaled, axis=1))


def neutral_axis(axial: Floats, curvature: Floats, reference: float) -> tuple[Floats, Floats]:
    """
    Where ε = 0 along one axis, and its derivatives by ε_0 and κ.

    Args:
        axial: ε_0, shape (n,).
        curvature: κ about the other axis [1/m], shape (n,); 0 gives an infinite position.
        reference: at which ε_0 stands [m].

    Returns:
        Coordinate [m], shape (n,), and slopes, shape (n, 2).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        place = reference - axial / curvature
        slopes = np.stack((-1.0 / curvature, axial / curvature**2), axis=-1)
    return np.asarray(place), slopes


def neutral_axis_angle(about_y: Floats, about_z: Floats) -> tuple[Floats, Floats]:
    """
    Inclination of the neutral axis, from the y axis towards the z axis, in (-π/2, π/2].

    Along it κ_y·dz + κ_z·dy = 0.

    Args:
        about_y, about_z: κ_y, κ_z [1/m], shape (n,).

    Returns:
        Angle [rad], shape (n,), and its derivatives by κ_y and κ_z, shape (n, 2).
    """
    angle = np.arctan2(-about_z, about_y)
    angle = np.where(angle > np.pi / 2.0, angle - np.pi, angle)
    angle = np.where(angle <= -np.pi / 2.0, angle + np.pi, angle)
    size = about_y**2 + about_z**2
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.stack((about_z / size, -about_y / size), axis=-1)
    return np.asarray(angle), slopes
