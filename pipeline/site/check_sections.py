"""
A section has enough strain points with places that fix its plane, and all that its forces need.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.errors import Mistake
from pipeline.physics.section import determines_plane, section_design
from pipeline.site.check_derived import strain_mistakes, watched_mistakes
from pipeline.site.derived_points import Section
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.models import Point

_AXES = {"y": ("z",), "z": ("y",), "both": ("z", "y")}
"""Coordinates along which strain varies in bending about y, z or both."""


def check_section_points(lookup: Lookup) -> Iterator[Mistake]:
    """The points of a section are strain points, watched alike, as many as its plane needs."""
    parts = lookup.parts
    for section in parts.sections:
        one = section.item
        if parts.is_unknown("structure", one.structure):
            continue
        points = _points(lookup, one)
        if not points:
            if "point" in parts.incomplete:
                continue
            names = {p.item.section for p in parts.points if p.item.structure == one.structure}
            remedy = did_you_mean(one.section, names - {""})
            remedy = remedy or "Write the section's name at its points in points.csv."
            expected = "a name that stands in the column section of points.csv"
            yield section.mistake("section", f'"{one.section}"', expected, remedy)
            continue
        wrong = [m for point in points for m in strain_mistakes(section, "section", point)]
        yield from wrong
        yield from watched_mistakes(section, points, needs_stress=one.modulus_gpa is not None)
        if not wrong:
            yield from _place_mistakes(lookup, section, points)


def _points(lookup: Lookup, section: Section) -> list[Located[Point]]:
    return [
        point
        for point in lookup.parts.points
        if point.item.section == section.section and point.item.structure == section.structure
    ]


def _place_mistakes(
    lookup: Lookup, section: Located[Section], points: Sequence[Located[Point]]
) -> Iterator[Mistake]:
    one, axes = section.item, _AXES[section.item.bending]
    unplaced = False
    for point in points:
        for axis in axes:
            if getattr(point.item, f"{axis}_m") is None:
                unplaced = True
                expected = f'a place, since section "{one.id}" bends about {one.bending}'
                remedy = f"Write its {axis} in m."
                yield point.mistake(f"{axis}_m", "an empty cell", expected, remedy)
    if unplaced or "point" in lookup.parts.incomplete:
        return
    if len(points) < one.unknowns:
        names = ", ".join(f'"{point.item.id}"' for point in points)
        found = f"{len(points)} point{'s' if len(points) != 1 else ''}: {names}"
        expected = f"at least {one.unknowns} for bending about {one.bending}"
        remedy = "Write the section's name at more points in points.csv."
        yield section.mistake("section", found, expected, remedy)
        return
    y, z = ([getattr(p.item, f"{axis}_m") or 0.0 for p in points] for axis in "yz")
    if not determines_plane(section_design(y, z, (0.0, 0.0), one.bending)):
        found = f"{len(points)} points in one line" if len(axes) > 1 else "points at one place"
        expected = f"points that differ in {' and in '.join(axes)}"
        remedy = "Mend the places in points.csv, or choose another bending."
        yield section.mistake("bending", found, expected, remedy)


def check_section_numbers(lookup: Lookup) -> Iterator[Mistake]:
    """The reference stands where strain varies; forces have modulus and property; see below."""
    for section in lookup.parts.sections:
        one, axes = section.item, _AXES[section.item.bending]
        for axis in axes:
            if getattr(one, f"reference_{axis}_m") is None:
                remedy = f"Write the {axis} of the centroid, in the coordinates of points.csv."
                expected = "the place at which axial strain is stated"
                yield section.mistake(f"reference_{axis}_m", "an empty cell", expected, remedy)
        if not 0.0 < one.significance <= 0.1:
            remedy = "Write a small share, for example 0.001."
            yield section.mistake(
                "significance", f"{one.significance:g}", "above 0 and at most 0.1", remedy
            )
        yield from _property_mistakes(section)


def _property_mistakes(section: Located[Section]) -> Iterator[Mistake]:
    one = section.item
    properties = ("area_m2", "inertia_y_m4", "inertia_z_m4")
    given = [key for key in properties if getattr(one, key) is not None]
    if given and one.modulus_gpa is None:
        remedy = f"Write the modulus, or leave {given[0]} empty: then no force is given."
        found, expected = "an empty cell", f"the modulus to which {given[0]} refers"
        yield section.mistake("modulus_gpa", found, expected, remedy)
    if one.modulus_gpa is not None and not given:
        remedy = "Write area_m2, inertia_y_m4 or inertia_z_m4, or leave the modulus empty."
        found, expected = f"{one.modulus_gpa:g} alone", "a modulus with a property of the section"
        yield section.mistake("modulus_gpa", found, expected, remedy)
    unused = {"y": "inertia_z_m4", "z": "inertia_y_m4"}.get(one.bending)
    if unused is not None and unused in given:
        found, expected = "a value", f"an empty cell for bending about {one.bending}"
        yield section.mistake(unused, found, expected, "Leave it empty, or bend about both.")
    if one.inertia_yz_m4 and one.bending != "both":
        found, expected = f"{one.inertia_yz_m4:g}", "0 unless bending is about both"
        remedy = "With a product of inertia, bending about one axis alone has no moment of its own."
        yield section.mistake("inertia_yz_m4", found, expected, remedy)
