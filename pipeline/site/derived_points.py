"""
Points whose values are made of other points: rosettes.csv and sections.csv, and what they yield.

Both tables are optional. A derived point has one row in the results for each of its quantities;
it has no gauge and no rule of its own, and patterns in rules do not match it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pipeline.site.model import Model

if TYPE_CHECKING:
    from pipeline.site.models import Structure

Layout = Literal["rectangular", "delta", "general"]
Bending = Literal["y", "z", "both"]

STEPS_DEG = {"rectangular": (0.0, 45.0, 90.0), "delta": (0.0, 60.0, 120.0)}
"""Directions of the gauges a, b, c from a, counterclockwise."""


class Rosette(Model):
    """
    Three strain points at one place in three directions; a row of rosettes.csv.

    Angles count counterclockwise, seen from outside, from the axis that the principal angle shall
    be told from; with `angle_a_deg` 0 that is gauge a.
    """

    id: str
    structure: str
    description: str = ""
    layout: Layout
    """`rectangular` is a, a + 45°, a + 90°; `delta` is a, a + 60°, a + 120°."""
    point_a: str
    point_b: str
    point_c: str
    angle_a_deg: float = 0.0
    angle_b_deg: float | None = None
    """Of `general` only."""
    angle_c_deg: float | None = None
    angle_u_deg: float = 0.0
    """Standard uncertainty of each gauge's own direction."""
    transverse_a_percent: float = 0.0
    """K_t as data sheets print it."""
    transverse_b_percent: float = 0.0
    transverse_c_percent: float = 0.0
    transverse_u_percent: float = 0.0
    """Standard uncertainty of K_t, common to the three."""
    calibration_poisson: float = 0.285
    """ν_0 of the bar on which the gauges' factor was found; 0.285 is that of ASTM E251's steel."""
    modulus_gpa: float | None = None
    """With `poisson`, principal stresses are given too."""
    modulus_u_gpa: float = 0.0
    poisson: float | None = None
    poisson_u: float = 0.0
    join_age_s: float
    """The last value of another gauge is used up to this age; 0: equal time stamps only."""

    @property
    def points(self) -> tuple[str, str, str]:
        """The points of the gauges a, b and c."""
        return self.point_a, self.point_b, self.point_c

    @property
    def angles_deg(self) -> tuple[float, float, float]:
        """Directions of the three gauges; NaN where `general` does not say."""
        if self.layout == "general":
            b, c = (float("nan") if a is None else a for a in (self.angle_b_deg, self.angle_c_deg))
            return self.angle_a_deg, b, c
        a, b, c = (self.angle_a_deg + step for step in STEPS_DEG[self.layout])
        return a, b, c

    @property
    def quantities(self) -> dict[str, str]:
        """Names of the quantities it yields, in their order, with units."""
        found = {
            "strain_x": "µm/m",
            "strain_y": "µm/m",
            "shear_strain_xy": "µm/m",
            "principal_strain_1": "µm/m",
            "principal_strain_2": "µm/m",
            "principal_angle": "°",
            "max_shear_strain": "µm/m",
        }
        if self.modulus_gpa is not None and self.poisson is not None:
            found |= dict.fromkeys(("principal_stress_1", "principal_stress_2"), "MPa")
            found["max_shear_stress"] = "MPa"
        return found


class Section(Model):
    """
    The points of one cross-section with a plane laid through their strains; of sections.csv.

    Its points are those whose column `section` in points.csv holds `section`, at their y and z.
    """

    id: str
    structure: str
    description: str = ""
    section: str
    bending: Bending = "y"
    """About the y axis (strain varies with z), about z (with y), or both."""
    reference_y_m: float | None = None
    """Where axial strain is stated: the centroid. Needed for bending about z."""
    reference_z_m: float | None = None
    """Needed for bending about y."""
    modulus_gpa: float | None = None
    """E to which area and second moments refer (of a composite section: to which it is reduced)."""
    modulus_u_gpa: float = 0.0
    area_m2: float | None = None
    """With the modulus, axial force is given."""
    inertia_y_m4: float | None = None
    """I_y = ∫z² dA about the centroid; with the modulus, the moment about y is given."""
    inertia_z_m4: float | None = None
    inertia_yz_m4: float = 0.0
    """∫y·z dA; for bending about both."""
    property_u_percent: float = 0.0
    """Relative standard uncertainty of area and second moments, of each on its own."""
    off_plane_um_m: float = 0.0
    """Standard deviation of a sound section's strains about their plane (local effects)."""
    significance: float = 0.001
    """Share of rows of a sound section that the plane-section check may call suspect."""
    join_age_s: float
    """The last value of another point is used up to this age; 0: equal time stamps only."""

    @property
    def unknowns(self) -> int:
        """How many coefficients the plane has."""
        return 3 if self.bending == "both" else 2

    def quantities(self, points: int) -> dict[str, str]:
        """Names of the quantities it yields with so many points, in order, with units."""
        axes = {"y": ("y",), "z": ("z",), "both": ("y", "z")}[self.bending]
        found = {"axial_strain": "µm/m"}
        found |= {f"curvature_{axis}": "µm/m²" for axis in axes}
        found["neutral_axis_y" if self.bending == "z" else "neutral_axis_z"] = "m"
        if self.bending == "both":
            found["neutral_axis_angle"] = "°"
        if points > self.unknowns:
            found |= {"plane_residual": "µm/m", "plane_chi2": "1"}
        if self.modulus_gpa is not None:
            if self.area_m2 is not None:
                found["axial_force"] = "kN"
            own = {"y": self.inertia_y_m4, "z": self.inertia_z_m4}
            found |= {f"moment_{axis}": "kN·m" for axis in axes if own[axis] is not None}
        return found


def section_points(structure: Structure, section: Section) -> tuple[str, ...]:
    """Ids of the points of a section, in the order of points.csv."""
    return tuple(point.id for point in structure.points if point.section == section.section)


def derived_units(structure: Structure) -> tuple[tuple[str, str], ...]:
    """`{id}/{quantity}` and unit of every row that derived points of a structure yield."""
    made = [(rosette.id, rosette.quantities) for rosette in structure.rosettes]
    made += [
        (section.id, section.quantities(len(section_points(structure, section))))
        for section in structure.sections
    ]
    return tuple((f"{name}/{quantity}", unit) for name, of in made for quantity, unit in of.items())
