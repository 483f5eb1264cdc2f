"""
What holds for every derived point: its id, its structure, its age, and the points it is made of.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import Any

from pipeline.errors import Mistake
from pipeline.site.check_names import id_mistake
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.models import Point

_NOT_NEGATIVE = (
    "join_age_s", "angle_u_deg", "transverse_u_percent", "modulus_u_gpa", "poisson_u",
    "property_u_percent", "off_plane_um_m",
)  # fmt: skip
_POSITIVE = ("modulus_gpa", "area_m2", "inertia_y_m4", "inertia_z_m4")


def check_derived_ids(lookup: Lookup) -> Iterator[Mistake]:
    """Ids are well formed and stand once among all points, derived or not; structures exist."""
    parts = lookup.parts
    taken: dict[str, str] = {p.item.id: f"points.csv, {p.place}" for p in parts.points}
    for located in _all(lookup):
        yield from id_mistake(located, "id", located.item.id)
        known = taken.setdefault(located.item.id, located.place)
        if known != located.place:
            found, expected = f"an id that {known} has already", "an id that stands once"
            yield located.mistake("id", found, expected, "Rename one of the two.")
        if parts.is_unknown("structure", located.item.structure):
            name = located.item.structure
            remedy = did_you_mean(name, parts.names["structure"]) or "Add the structure."
            yield located.mistake("structure", f'"{name}"', "the id of a structure", remedy)


def check_derived_numbers(lookup: Lookup) -> Iterator[Mistake]:
    """Uncertainties and ages are not negative; moduli, areas and second moments are positive."""
    for located in _all(lookup):
        for key in _NOT_NEGATIVE:
            value = getattr(located.item, key, 0.0)
            if value < 0:
                remedy = "Write 0 or a number above."
                yield located.mistake(key, f"{value:g}", "a number not below 0", remedy)
        for key in _POSITIVE:
            value = getattr(located.item, key, None)
            if value is not None and value <= 0:
                remedy = "Write a number above 0, or leave the cell empty."
                yield located.mistake(key, f"{value:g}", "a number above 0", remedy)


def told_points(
    lookup: Lookup, located: Located[Any], structure: str, keys: Mapping[str, str]
) -> Generator[Mistake, None, dict[str, Located[Point]]]:
    """
    Points that a derived point names and that can be used, by column; the rest is told.

    Args:
        lookup: of the configuration.
        located: the derived point.
        structure: on which the points must lie.
        keys: column and point id.
    """
    parts = lookup.parts
    usable: dict[str, Located[Point]] = {}
    for key, name in keys.items():
        point = lookup.points.get(name)
        if point is None:
            if parts.is_unknown("point", name):
                own = [p.item.id for p in parts.points if p.item.structure == structure]
                remedy = did_you_mean(name, own) or "Add it to points.csv."
                expected = f'a point of structure "{structure}"'
                yield located.mistake(key, f'"{name}"', expected, remedy)
            continue
        if point.item.structure != structure:
            found = f'"{name}", a point of structure "{point.item.structure}"'
            remedy = "Name a point of the same structure, or mend the structure."
            yield located.mistake(key, found, f'a point of structure "{structure}"', remedy)
            continue
        wrong = list(strain_mistakes(located, key, point))
        yield from wrong
        usable |= {} if wrong else {key: point}
    return usable


def strain_mistakes(located: Located[Any], key: str, point: Located[Point]) -> Iterator[Mistake]:
    """Only strain in µm/m can be put together to a plane."""
    one = point.item
    if one.quantity != "strain":
        remedy = "Name a strain point."
        found = f'"{one.id}", whose quantity is {one.quantity}'
        yield located.mistake(key, found, "a point of quantity strain", remedy)
    elif one.unit != "µm/m":
        found = f'"{one.id}" in "{one.unit}"'
        yield located.mistake(key, found, "a point in µm/m", "Mend the unit in points.csv.")


def watched_mistakes(
    located: Located[Any], points: Sequence[Located[Point]], *, needs_stress: bool
) -> Iterator[Mistake]:
    """Mechanical and total strain are not mixed, and stress is made of mechanical strain."""
    watched = {point.item.watched: point.item.id for point in points}
    if len(watched) > 1:
        found = " and ".join(f'{kind} strain at "{name}"' for kind, name in sorted(watched.items()))
        remedy = "Give its points one `watched` in points.csv."
        yield located.mistake("", found, "one kind of strain at all points", remedy)
    elif needs_stress and "total" in watched:
        remedy = "Watch mechanical strain at its points, or leave the modulus empty."
        found = "a modulus with points that watch total strain"
        expected = "mechanical strain, since total strain holds free expansion, which has no stress"
        yield located.mistake("modulus_gpa", found, expected, remedy)


def _all(lookup: Lookup) -> list[Located[Any]]:
    return [*lookup.parts.rosettes, *lookup.parts.sections]
