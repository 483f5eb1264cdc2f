"""
A rosette's joined strains to plane strain, principal strains and angle, and plane stress.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.combine_join import JoinedRows
from pipeline.derive.combine_plan import Material, RosettePlan
from pipeline.derive.combine_uncertainty import (
    SourceAmounts,
    Worked,
    diagonal_source,
    propagated_u,
)
from pipeline.derive.correction import MICRO
from pipeline.physics.rosette import (
    direction_slopes,
    plane_stress,
    principal_slopes,
    principal_strain,
)

LARGEST_ANGLE_U = 45.0
"""U95/2 [°] of an angle of which nothing is known: ±90° is every direction."""
_ANGLE = 5
_MEGA = 1e-6


def rosette_worked(rows: JoinedRows, plan: RosettePlan) -> Worked:
    """
    Quantities of `Rosette.quantities`, strains in µm/m, the angle in °, stresses in MPa.

    Args:
        rows: whole ones only.
        plan: of the rosette.
    """
    strain = rows.strain @ plan.inverse.T
    principal = principal_strain(strain)
    of_strain = np.broadcast_to(plan.inverse, (len(rows), 3, 3))
    of_principal = principal_slopes(strain) @ plan.inverse
    scale = np.array([MICRO, MICRO, np.degrees(1.0), MICRO])
    value = np.concatenate((strain * MICRO, principal * scale), axis=1)
    slopes = np.concatenate((of_strain * MICRO, of_principal * scale[:, None]), axis=1)
    others: list[Floats] = []
    if plan.material is not None:
        stress = _stresses(principal, plan.material) * _MEGA
        of_stress = _stress_slopes(of_principal, plan.material) * _MEGA
        value = np.concatenate((value, stress), axis=1)
        slopes = np.concatenate((slopes, of_stress), axis=1)
        others = _material_amounts(principal, stress, plan.material)
    u = propagated_u(slopes, _sources(rows, strain, plan), others)
    # Without a direction the slopes are endless, and where there is little of one, too steep.
    u[:, _ANGLE] = np.fmin(u[:, _ANGLE], LARGEST_ANGLE_U)
    return Worked(value, u, np.zeros(len(rows)), np.zeros(value.shape))


def _sources(rows: JoinedRows, strain: Floats, plan: RosettePlan) -> SourceAmounts:
    """Those of the strains, and the gauges' own directions and transverse sensitivity."""
    turning, across = direction_slopes(strain, plan.angles)
    share = 1.0 - plan.calibration_poisson * plan.transverse
    # Across, a turned gauge sees the opposite change.
    turned = (1.0 - plan.transverse) / share * turning * plan.angle_u
    let_in = (across + plan.calibration_poisson * rows.strain) / share * plan.transverse_u
    return {
        **rows.sources,
        "direction||": diagonal_source(turned),
        "transverse||": (let_in[:, :, None], np.inf),
    }


def _stresses(principal: Floats, material: Material) -> Floats:
    """σ_1, σ_2 and (σ_1 - σ_2)/2, shape (n, 3)."""
    both = plane_stress(principal[:, 0], principal[:, 1], material.modulus, material.poisson)
    return np.column_stack((both, (both[:, 0] - both[:, 1]) / 2.0))


def _stress_slopes(of_principal: Floats, material: Material) -> Floats:
    """Derivatives of the three by the gauges' strains, shape (n, 3, 3)."""
    unit = np.eye(2)
    both = plane_stress(unit[0], unit[1], material.modulus, material.poisson).T
    matrix = np.vstack((both, (both[0] - both[1]) / 2.0))
    return np.asarray(matrix @ of_principal[:, :2])


def _material_amounts(principal: Floats, stress: Floats, material: Material) -> list[Floats]:
    """What is not known of E and ν, on all quantities, in MPa."""
    nu = material.poisson
    crossed = principal[:, 1::-1] * material.modulus * _MEGA
    by_poisson = (crossed + 2.0 * nu * stress[:, :2]) / (1.0 - nu**2)
    by_poisson = np.column_stack((by_poisson, (by_poisson[:, 0] - by_poisson[:, 1]) / 2.0))
    none = np.zeros((len(stress), 7))
    of_modulus = stress * (material.modulus_u / material.modulus)
    of_poisson = by_poisson * material.poisson_u
    return [np.concatenate((none, amount), axis=1) for amount in (of_modulus, of_poisson)]
