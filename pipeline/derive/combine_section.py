"""
A section's joined strains to its plane: axial strain, curvature, neutral axis, forces, the check.

The neutral axis is told only where curvature is more than twice its own U95/2: without bending
there is none. A plane-section check that fails makes the whole row suspect (`neighbour`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.combine_join import JoinedRows
from pipeline.derive.combine_plan import Properties, SectionPlan
from pipeline.derive.combine_rosette import LARGEST_ANGLE_U
from pipeline.derive.combine_uncertainty import (
    SourceAmounts,
    Worked,
    diagonal_source,
    propagated_u,
    widened_covariance,
)
from pipeline.derive.correction import MICRO
from pipeline.physics.section import (
    fit_operator,
    neutral_axis,
    neutral_axis_angle,
    plane_chi2,
)

_KILO = 1e-3


@dataclass(frozen=True, eq=False)
class _Quantity:
    """One figure of all rows."""

    value: Floats
    slopes: Floats
    """By the p coefficients of the plane, in the quantity's unit, shape (n, p)."""
    other: Floats | None = None
    """What is not known of modulus and property, in the quantity's unit, shape (n, 2)."""


def section_worked(rows: JoinedRows, plan: SectionPlan) -> Worked:
    """
    Quantities of `Section.quantities` in the units told there.

    Args:
        rows: whole ones only.
        plan: of the section.
    """
    n, k = rows.strain.shape
    local = np.full((n, k), plan.off_plane)
    sources: SourceAmounts = {**rows.sources, "local||": diagonal_source(local)}
    covariance = widened_covariance(sources, (n, k))
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    operator = fit_operator(plan.design, variance)
    plane = (operator @ rows.strain[:, :, None])[:, :, 0]
    found = _of_plane(plane, plan)
    slopes = np.stack([one.slopes for one in found.values()], axis=1) @ operator
    u = propagated_u(slopes, sources, _others(list(found.values()), n))
    value = np.stack([one.value for one in found.values()], axis=1)
    names = list(found)
    value, u, is_open = _told(names, value, u)
    is_off = np.zeros(n)
    if plan.basis.shape[1]:
        residual = rows.strain - plane @ plan.design.T
        chi2 = plane_chi2(rows.strain, covariance, plan.basis)
        is_off = (chi2 > plan.critical).astype(np.float64)
        check = np.column_stack((np.max(np.abs(residual), axis=1) * MICRO, chi2))
        value = _inserted(value, check, names, plan)
        u = _inserted(u, np.full((n, 2), np.nan), names, plan)
        is_open = _inserted(is_open, np.zeros((n, 2)), names, plan)
    return Worked(value, u, is_off, is_open)


def _inserted(columns: Floats, added: Floats, names: list[str], plan: SectionPlan) -> Floats:
    """Columns in the order of the plan's quantities, with those of the check among them."""
    place = {name: columns[:, i] for i, name in enumerate(names)}
    place |= {"plane_residual": added[:, 0], "plane_chi2": added[:, 1]}
    return np.stack([place[name] for name in plan.quantities], axis=1)


def _of_plane(plane: Floats, plan: SectionPlan) -> dict[str, _Quantity]:
    """Everything that follows from the plane, in the order of the plan's quantities."""
    p = plane.shape[1]
    unit = np.broadcast_to(np.eye(p), (len(plane), p, p))
    axes = {"y": ("y",), "z": ("z",), "both": ("y", "z")}[plan.bending]
    found = {"axial_strain": _Quantity(plane[:, 0] * MICRO, unit[:, 0] * MICRO)}
    for i, axis in enumerate(axes, start=1):
        found[f"curvature_{axis}"] = _Quantity(plane[:, i] * MICRO, unit[:, i] * MICRO)
    name, reference = ("neutral_axis_z", plan.reference[1])
    if plan.bending == "z":
        name, reference = ("neutral_axis_y", plan.reference[0])
    place, by_plane = neutral_axis(plane[:, 0], plane[:, 1], reference)
    found[name] = _Quantity(place, _padded(by_plane, p, 0))
    if plan.bending == "both":
        angle, by_curvature = neutral_axis_angle(plane[:, 1], plane[:, 2])
        slopes = np.degrees(_padded(by_curvature, p, 1))
        found["neutral_axis_angle"] = _Quantity(np.degrees(angle), slopes)
    if plan.properties is not None:
        found |= _forces(plane, plan.properties, axes)
    return found


def _padded(slopes: Floats, p: int, start: int) -> Floats:
    padded = np.zeros((len(slopes), p))
    padded[:, start : start + 2] = slopes
    return padded


def _forces(plane: Floats, of: Properties, axes: tuple[str, ...]) -> dict[str, _Quantity]:
    """Axial force [kN] and moments [kN·m], as far as the section's properties are given."""
    found: dict[str, _Quantity] = {}
    if of.area is not None:
        found["axial_force"] = _force(plane, of, {0: of.area})
    own = {"y": of.inertia_y, "z": of.inertia_z}
    for i, axis in enumerate(axes, start=1):
        inertia = own[axis]
        if inertia is None:
            continue
        crossed = {3 - i: of.inertia_yz} if len(axes) == 2 else {}
        found[f"moment_{axis}"] = _force(plane, of, {i: inertia} | crossed)
    return found


def _force(plane: Floats, of: Properties, weights: dict[int, float]) -> _Quantity:
    """E·Σ weight·coefficient; the first weight is the one that is not known exactly."""
    slopes = np.zeros(plane.shape)
    for column, weight in weights.items():
        slopes[:, column] = of.modulus * weight * _KILO
    value = np.sum(slopes * plane, axis=1)
    first = next(iter(weights))
    unsure = slopes[:, first] * plane[:, first] * of.property_u
    return _Quantity(value, slopes, np.column_stack((value * of.modulus_u, unsure)))


def _others(found: list[_Quantity], n: int) -> list[Floats]:
    nothing = np.zeros((n, 2))
    both = np.stack([nothing if one.other is None else one.other for one in found], axis=1)
    return [both[:, :, 0], both[:, :, 1]]


def _told(names: list[str], value: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Values and u without a neutral axis where there is no bending to speak of."""
    column = {name: i for i, name in enumerate(names)}
    is_bent = {
        axis: np.abs(value[:, i]) > 2.0 * u[:, i]
        for axis in "yz"
        if (i := column.get(f"curvature_{axis}", -1)) >= 0
    }
    bent = {
        "neutral_axis_z": is_bent.get("y"),
        "neutral_axis_y": is_bent.get("z"),
        "neutral_axis_angle": np.logical_or.reduce(list(is_bent.values())),
    }
    value, u, is_open = value.copy(), u.copy(), np.zeros(value.shape)
    for name, can_tell in bent.items():
        if name not in column or can_tell is None:
            continue
        value[~can_tell, column[name]] = np.nan
        u[~can_tell, column[name]] = np.nan
        is_open[~can_tell, column[name]] = 1.0
    if "neutral_axis_angle" in column:
        angle = column["neutral_axis_angle"]
        u[:, angle] = np.minimum(u[:, angle], LARGEST_ANGLE_U)
    return value, u, is_open
