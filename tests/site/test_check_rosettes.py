"""
Rosettes: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.derived_tables import told
from tests.site.examples import Change

ROW = "B1-ros,alder,rectangular,B1-mid,B1-quarter,B1-third,,,,1,0.8,0.2,,210,0.3,90"
NAMES = (
    "id,structure,layout,a,b,c,angle_a,angle_b,angle_c,angle_u,across,across_u,poisson_0,"
    "modulus,poisson,age"
)
HERE = 'rosettes.csv, line 2, rosette "B1-ros", column '


def row(**cells: str) -> Change:
    """The rosette's row with these cells in place of its own."""
    own = dict(zip(NAMES.split(","), ROW.split(","), strict=True))
    return ("rosettes.csv", ROW, ",".join({**own, **cells}.values()))


def test_sound_tables_are_told_nothing(tmp_path: Path) -> None:
    """The example with a rosette and a section has no mistake."""
    assert told(tmp_path) == []


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            row(c="B1-thrid"),
            HERE + '"point_c": found "B1-thrid"; expected a point of structure "alder". '
            'Did you mean "B1-third"?',
        ),
        (
            row(c="P1-tilt"),
            HERE + '"point_c": found "P1-tilt", whose quantity is tilt; expected a point of '
            "quantity strain. Name a strain point.",
        ),
        (
            row(c="B1-mid"),
            HERE + '"point_c": found "B1-mid", which is point_a already; expected three '
            "different points. Name the three gauges' own points, each once.",
        ),
        (  # for a small step d between directions 1/(√(2/3)·d²): 161 for 5°
            row(layout="general", angle_b="5", angle_c="10"),
            HERE + '"angle_a_deg": found directions 0, 5, 10°, which multiply an error of a gauge '
            "by 162; expected directions that multiply it by at most 10. Mend the angles: three "
            "gauges a direction apart, 180° counts as none.",
        ),
        (
            row(layout="general", angle_b="45", angle_c="180"),
            HERE + '"angle_a_deg": found directions 0, 45, 180°, which multiply an error of a '
            "gauge without bound; expected directions that multiply it by at most 10. Mend the "
            "angles: three gauges a direction apart, 180° counts as none.",
        ),
        (
            row(layout="general", angle_b="45"),
            HERE + '"angle_c_deg": found an empty cell; expected an angle for layout general. '
            'Write it, or choose layout "rectangular" or "delta".',
        ),
        (
            row(angle_b="60"),
            HERE + '"angle_b_deg": found 60; expected 45 for layout rectangular. Leave the cell '
            'empty, or write layout "general".',
        ),
        (
            row(poisson=""),
            HERE + '"poisson": found an empty cell; expected both or neither. Write poisson, or '
            "leave both cells empty: then no stress is given.",
        ),
        (
            row(poisson="0.7"),
            HERE + '"poisson": found 0.7; expected 0 to 0.5. Write Poisson\'s ratio: 0.3 for '
            "steel, 0.2 for concrete.",
        ),
        (
            row(across="80"),
            HERE + '"transverse_a_percent": found 80; expected -20 to 20. Write it in percent as '
            "on the data sheet, with its sign.",
        ),
        (
            row(modulus="70"),
            HERE + '"modulus_gpa": found 70 with 210 at point_a in points.csv; expected the '
            "points' own modulus. Write one modulus for the material that the rosette is glued to.",
        ),
        (
            row(age="-1"),
            HERE + '"join_age_s": found -1; expected a number not below 0. Write 0 or a number '
            "above.",
        ),
        (
            row(modulus="-210"),
            HERE + '"modulus_gpa": found -210; expected a number above 0. Write a number above 0, '
            "or leave the cell empty.",
        ),
        (
            row(id="B1-mid"),
            HERE + '"id": found an id that points.csv, line 3, point "B1-mid" has already; '
            "expected an id that stands once. Rename one of the two.",
        ),
        (
            row(layout="triangular"),
            HERE + '"layout": found "triangular"; expected "rectangular", "delta" or "general". '
            'Did you mean "rectangular"?',
        ),
        (
            row(age=""),
            HERE + '"join_age_s": found an empty cell; expected a value for join_age_s. Fill in '
            "join_age_s.",
        ),
    ],
)
def test_mistake_is_told_with_place_and_remedy(
    tmp_path: Path, change: Change, message: str
) -> None:
    """One wrong cell, one message: file, line, column, found, expected, what to do."""
    found = told(tmp_path, [change])

    if change[2].startswith("B1-mid,"):  # the name in front of the line is then another one
        message = message.replace('rosette "B1-ros"', 'rosette "B1-mid"')
    if "-210" in message:  # a modulus below 0 differs from the points' too
        found = found[:1]
    assert found == [message]


def test_unit_of_a_point_must_be_the_micrometre_per_metre(tmp_path: Path) -> None:
    """Strain in another unit is refused where it is put together, for both tables."""
    change = ("points.csv", "along the beam,strain,µm/m,mechanical,210,mid,,,,\n",
              "along the beam,strain,m/m,mechanical,210,mid,,,,\n")  # fmt: skip

    found = told(tmp_path, [change])

    assert any(
        message == HERE + '"point_c": found "B1-third" in "m/m"; expected a point in µm/m. Mend '
        "the unit in points.csv."
        for message in found
    )


def test_mechanical_and_total_strain_are_not_mixed(tmp_path: Path) -> None:
    """One point that watches total strain among three: told at the rosette and at the section."""
    change = ("points.csv", "along the beam,strain,µm/m,mechanical,210,mid,,,,\n",
              "along the beam,strain,µm/m,total,210,mid,,,,\n")  # fmt: skip

    found = told(tmp_path, [change])

    assert found == [
        f'{place}: found mechanical strain at "B1-quarter" and total strain at "B1-third"; '
        "expected one kind of strain at all points. Give its points one `watched` in points.csv."
        for place in (
            'rosettes.csv, line 2, rosette "B1-ros"',
            'sections.csv, line 2, section "B1-sec"',
        )
    ]


def test_stress_is_not_made_of_total_strain(tmp_path: Path) -> None:
    """All three watch total strain and a modulus is given: free expansion has no stress."""
    found = told(tmp_path, [("points.csv", "strain,µm/m,mechanical", "strain,µm/m,total")])

    assert [message for message in found if message.startswith(HERE)] == [
        HERE + '"modulus_gpa": found a modulus with points that watch total strain; expected '
        "mechanical strain, since total strain holds free expansion, which has no stress. Watch "
        "mechanical strain at its points, or leave the modulus empty."
    ]
