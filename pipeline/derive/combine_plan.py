"""
Compiles rosettes and sections into numbers, ready to be worked out row by row.

Angles are rad, strains m/m, lengths m, moduli Pa.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats
from pipeline.errors import ConfigError, Mistake
from pipeline.physics.rosette import rosette_matrix, worst_amplification
from pipeline.physics.section import Bending, determines_plane, off_plane_basis, section_design
from pipeline.site.derived_points import Rosette, Section, section_points
from pipeline.site.models import Point, Structure


@dataclass(frozen=True)
class Material:
    """Of the plane stress under a rosette."""

    modulus: float
    modulus_u: float
    poisson: float
    poisson_u: float


@dataclass(frozen=True, eq=False)
class RosettePlan:
    """A rosette, ready for arithmetic."""

    id: str
    points: tuple[str, ...]
    age_us: int
    quantities: tuple[str, ...]
    inverse: Floats
    """M⁻¹ of (ε_x, ε_y, γ_xy) = M⁻¹·ε̂, shape (3, 3)."""
    angles: Floats
    angle_u: float
    transverse: Floats
    transverse_u: float
    calibration_poisson: float
    material: Material | None


@dataclass(frozen=True)
class Properties:
    """Of a cross-section, about its centroid; None: not given."""

    modulus: float
    modulus_u: float
    """Relative."""
    area: float | None
    inertia_y: float | None
    inertia_z: float | None
    inertia_yz: float
    property_u: float
    """Relative, of area and second moments each."""


@dataclass(frozen=True, eq=False)
class SectionPlan:
    """A section, ready for arithmetic."""

    id: str
    points: tuple[str, ...]
    age_us: int
    quantities: tuple[str, ...]
    design: Floats
    """X, shape (k, p); columns ε_0, then κ_y or κ_z or both."""
    basis: Floats
    """Combinations of strains that every plane makes zero, shape (k, k - p)."""
    bending: Bending
    reference: tuple[float, float]
    off_plane: float
    critical: float
    """χ² above this is no plane any more; infinite: not tested."""
    properties: Properties | None


Element = RosettePlan | SectionPlan


def compile_elements(structure: Structure) -> tuple[Element, ...]:
    """
    Rosettes, then sections of a structure, in the order of their files.

    Raises:
        ConfigError: a point is missing, or directions or places do not fix the unknowns; `check`
            would have told it before.
    """
    points = {point.id: point for point in structure.points}
    rosettes = [_rosette(rosette, points) for rosette in structure.rosettes]
    sections = [_section(structure, section, points) for section in structure.sections]
    return (*rosettes, *sections)


def _rosette(rosette: Rosette, points: Mapping[str, Point]) -> RosettePlan:
    angles = np.radians(rosette.angles_deg)
    known = all(point in points for point in rosette.points)
    if not known or not np.isfinite(angles).all() or math.isinf(worst_amplification(angles)):
        place = f'rosette "{rosette.id}"'
        raise _refused("rosettes.csv", place, "three directions of three points")
    percent = (
        rosette.transverse_a_percent,
        rosette.transverse_b_percent,
        rosette.transverse_c_percent,
    )
    transverse = np.array(percent) / 100.0
    matrix = rosette_matrix(angles, transverse, rosette.calibration_poisson)
    material = None
    if rosette.modulus_gpa is not None and rosette.poisson is not None:
        modulus = (rosette.modulus_gpa * 1e9, rosette.modulus_u_gpa * 1e9)
        material = Material(*modulus, rosette.poisson, rosette.poisson_u)
    return RosettePlan(
        id=rosette.id,
        points=rosette.points,
        age_us=round(rosette.join_age_s * 1e6),
        quantities=tuple(rosette.quantities),
        inverse=np.asarray(np.linalg.inv(matrix), np.float64),
        angles=angles,
        angle_u=math.radians(rosette.angle_u_deg),
        transverse=transverse,
        transverse_u=rosette.transverse_u_percent / 100.0,
        calibration_poisson=rosette.calibration_poisson,
        material=material,
    )


def _section(structure: Structure, section: Section, points: Mapping[str, Point]) -> SectionPlan:
    names = section_points(structure, section)
    y, z = ([getattr(points[name], f"{axis}_m") or 0.0 for name in names] for axis in "yz")
    reference = (section.reference_y_m or 0.0, section.reference_z_m or 0.0)
    design = section_design(y, z, reference, section.bending)
    if not determines_plane(design):
        raise _refused("sections.csv", f'section "{section.id}"', "points that fix its plane")
    spare = len(names) - section.unknowns
    return SectionPlan(
        id=section.id,
        points=names,
        age_us=round(section.join_age_s * 1e6),
        quantities=tuple(section.quantities(len(names))),
        design=design,
        basis=off_plane_basis(design),
        bending=section.bending,
        reference=reference,
        off_plane=section.off_plane_um_m * 1e-6,
        critical=_critical(section.significance, spare),
        properties=_properties(section),
    )


def _properties(section: Section) -> Properties | None:
    if section.modulus_gpa is None:
        return None
    return Properties(
        modulus=section.modulus_gpa * 1e9,
        modulus_u=section.modulus_u_gpa / section.modulus_gpa,
        area=section.area_m2,
        inertia_y=section.inertia_y_m4,
        inertia_z=section.inertia_z_m4,
        inertia_yz=section.inertia_yz_m4,
        property_u=section.property_u_percent / 100.0,
    )


def _critical(significance: float, freedom: int) -> float:
    """χ² that a sound section exceeds in this share of rows."""
    if freedom < 1:
        return math.inf
    from scipy.special import chdtri  # half a second of import, only where a section needs it

    return float(chdtri(freedom, significance))


def _refused(file: str, place: str, expected: str) -> ConfigError:
    remedy = "Run `spanwarden check`, which says what is wrong."
    return ConfigError((Mistake(file, place, "a derived point without", expected, remedy),))
