"""
The lines by which a person checks rosettes and sections against the drawing.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.site.derived_points import Rosette, Section, section_points
from pipeline.site.models import Structure


def derived_rows(structure: Structure) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """Head of each rosette and section, and its labelled lines, in the order of the files."""
    for rosette in structure.rosettes:
        yield f"{rosette.id}: rosette, {rosette.layout}", _rosette(structure, rosette)
    for section in structure.sections:
        head = f'{section.id}: section "{section.section}", bending about {section.bending}'
        yield head, _section(structure, section)


def _rosette(structure: Structure, rosette: Rosette) -> list[tuple[str, str]]:
    gauges = ", ".join(
        f"{letter} {point} at {angle:g}°"
        for letter, point, angle in zip("abc", rosette.points, rosette.angles_deg, strict=True)
    )
    if rosette.angle_u_deg:
        gauges += f" (each ± {rosette.angle_u_deg:g}°)"
    across = (
        rosette.transverse_a_percent,
        rosette.transverse_b_percent,
        rosette.transverse_c_percent,
    )
    shown = ", ".join(f"{one:g}" for one in across)
    correction = (
        f"{shown} %, factors found at Poisson's ratio {rosette.calibration_poisson:g}"
        if any(across)
        else "none stated"
    )
    stress = "not worked out: no modulus"
    if rosette.modulus_gpa is not None and rosette.poisson is not None:
        stress = f"plane, E {rosette.modulus_gpa:g} GPa, Poisson's ratio {rosette.poisson:g}"
    rows = [("gauges", gauges), ("transverse", correction), ("stress", stress)]
    kind = _watched(structure, rosette.points)
    return [*_text(rosette.description), *rows, _joined(kind, rosette.join_age_s), _WATCHED]


def _section(structure: Structure, section: Section) -> list[tuple[str, str]]:
    names = section_points(structure, section)
    places = {
        point.id: f"{point.id} (y {_metre(point.y_m)}, z {_metre(point.z_m)})"
        for point in structure.points
    }
    reference = ", ".join(
        f"{axis} {place:g}"
        for axis, place in (("y", section.reference_y_m), ("z", section.reference_z_m))
        if place is not None
    )
    spare = len(names) - section.unknowns
    check = "none: as many points as unknowns"
    if spare > 0:
        local = section.off_plane_um_m
        strays = f", local effects {local:g} µm/m" if local else ""
        check = f"χ² with {spare} degrees of freedom, significance {section.significance:g}{strays}"
    rows = [
        ("points", ", ".join(places[name] for name in names)),
        ("axial at", f"{reference} m"),
        ("plane check", check),
        ("forces", _forces(section)),
    ]
    kind = _watched(structure, names)
    return [*_text(section.description), *rows, _joined(kind, section.join_age_s), _WATCHED]


_WATCHED = ("watched", "by no rule")


def _text(description: str) -> list[tuple[str, str]]:
    return [("what", " ".join(description.split()))] if description.strip() else []


def _joined(kind: str, age_s: float) -> tuple[str, str]:
    how = f"a value not older than {age_s:g} s" if age_s else "equal time stamps only"
    return "made of", f"{kind} strain, {how}"


def _watched(structure: Structure, names: tuple[str, ...]) -> str:
    return next((point.watched for point in structure.points if point.id in names), "mechanical")


def _forces(section: Section) -> str:
    if section.modulus_gpa is None:
        return "not worked out: no modulus"
    properties = (
        ("A", section.area_m2, "m²"),
        ("I_y", section.inertia_y_m4, "m⁴"),
        ("I_z", section.inertia_z_m4, "m⁴"),
        ("I_yz", section.inertia_yz_m4 or None, "m⁴"),
    )
    given = [f"{name} {value:g} {unit}" for name, value, unit in properties if value is not None]
    return ", ".join([f"E {section.modulus_gpa:g} GPa", *given])


def _metre(place: float | None) -> str:
    return "not recorded" if place is None else f"{place:g} m"
