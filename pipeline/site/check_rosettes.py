"""
A rosette has three strain points of one structure, directions that differ, and sound numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.errors import Mistake
from pipeline.physics.rosette import worst_amplification
from pipeline.site.check_derived import told_points, watched_mistakes
from pipeline.site.derived_points import STEPS_DEG, Rosette
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup

LARGEST_AMPLIFICATION = 10.0
"""Directions that multiply a gauge's error by more make no rosette; 0/45/90 has 2.5."""
_LARGEST_TRANSVERSE = 20.0
_LETTERS = "abc"
_COLUMNS = ("point_a", "point_b", "point_c")


def check_rosette_points(lookup: Lookup) -> Iterator[Mistake]:
    """Three different strain points in µm/m on the rosette's structure, watched alike."""
    for rosette in lookup.parts.rosettes:
        one = rosette.item
        keys = dict(zip(_COLUMNS, one.points, strict=True))
        points = yield from told_points(lookup, rosette, one.structure, keys)
        first: dict[str, str] = {}
        for key, point in keys.items():
            known = first.setdefault(point, key)
            if known != key:
                found = f'"{point}", which is {known} already'
                remedy = "Name the three gauges' own points, each once."
                yield rosette.mistake(key, found, "three different points", remedy)
        needs_stress = one.modulus_gpa is not None
        yield from watched_mistakes(rosette, list(points.values()), needs_stress=needs_stress)
        for key, used in points.items():
            own = used.item.modulus_gpa
            if one.modulus_gpa is not None and own is not None and own != one.modulus_gpa:
                found = f"{one.modulus_gpa:g} with {own:g} at {key} in points.csv"
                remedy = "Write one modulus for the material that the rosette is glued to."
                yield rosette.mistake("modulus_gpa", found, "the points' own modulus", remedy)
                break


def check_rosette_angles(lookup: Lookup) -> Iterator[Mistake]:
    """A general rosette says its angles, the others do not; three directions must differ enough."""
    for rosette in lookup.parts.rosettes:
        one = rosette.item
        steps = STEPS_DEG.get(one.layout)
        given = (("angle_b_deg", one.angle_b_deg), ("angle_c_deg", one.angle_c_deg))
        for i, (key, angle) in enumerate(given, start=1):
            if steps is None and angle is None:
                remedy = 'Write it, or choose layout "rectangular" or "delta".'
                yield rosette.mistake(key, "an empty cell", "an angle for layout general", remedy)
            wanted = None if steps is None else one.angle_a_deg + steps[i]
            if wanted is not None and angle is not None and angle != wanted:
                expected = f"{wanted:g} for layout {one.layout}"
                remedy = 'Leave the cell empty, or write layout "general".'
                yield rosette.mistake(key, f"{angle:g}", expected, remedy)
        yield from _degenerate(rosette)


def _degenerate(rosette: Located[Rosette]) -> Iterator[Mistake]:
    angles = rosette.item.angles_deg
    if not all(map(math.isfinite, angles)):
        return
    worst = worst_amplification([math.radians(angle) for angle in angles])
    if worst > LARGEST_AMPLIFICATION:
        shown = ", ".join(f"{angle:g}" for angle in angles)
        times = "without bound" if math.isinf(worst) else f"by {worst:.0f}"
        found = f"directions {shown}°, which multiply an error of a gauge {times}"
        expected = f"directions that multiply it by at most {LARGEST_AMPLIFICATION:g}"
        remedy = "Mend the angles: three gauges a direction apart, 180° counts as none."
        yield rosette.mistake("angle_a_deg", found, expected, remedy)


def check_rosette_numbers(lookup: Lookup) -> Iterator[Mistake]:
    """Stress needs modulus and Poisson's ratio; transverse sensitivity is a few percent."""
    for rosette in lookup.parts.rosettes:
        one = rosette.item
        if (one.modulus_gpa is None) != (one.poisson is None):
            lacking = "poisson" if one.poisson is None else "modulus_gpa"
            remedy = f"Write {lacking}, or leave both cells empty: then no stress is given."
            yield rosette.mistake(lacking, "an empty cell", "both or neither", remedy)
        for key in ("poisson", "calibration_poisson"):
            value = getattr(one, key)
            if value is not None and not 0.0 <= value <= 0.5:
                remedy = "Write Poisson's ratio: 0.3 for steel, 0.2 for concrete."
                yield rosette.mistake(key, f"{value:g}", "0 to 0.5", remedy)
        for letter in _LETTERS:
            key = f"transverse_{letter}_percent"
            value = getattr(one, key)
            if abs(value) > _LARGEST_TRANSVERSE:
                expected = f"-{_LARGEST_TRANSVERSE:g} to {_LARGEST_TRANSVERSE:g}"
                remedy = "Write it in percent as on the data sheet, with its sign."
                yield rosette.mistake(key, f"{value:g}", expected, remedy)
