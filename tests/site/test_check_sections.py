"""
Sections: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.derived_tables import told
from tests.site.examples import Change

ROW = "B1-sec,alder,mid,y,,-0.55,210,0.02,0.003,,,5,,90"
HERE = 'sections.csv, line 2, section "B1-sec", column '


def row(**cells: str) -> Change:
    """The section's row with these cells in place of its own."""
    names = "id,structure,section,bending,ref_y,ref_z,modulus,area,i_y,i_z,i_yz,off,alpha,age"
    own = dict(zip(names.split(","), ROW.split(","), strict=True))
    return ("sections.csv", ROW, ",".join({**own, **cells}.values()))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            row(section="midd"),
            HERE + '"section": found "midd"; expected a name that stands in the column section of '
            'points.csv. Did you mean "mid"?',
        ),
        (
            row(bending="both", ref_y="0.0"),
            HERE + '"bending": found 3 points in one line; expected points that differ in z and '
            "in y. Mend the places in points.csv, or choose another bending.",
        ),
        (
            row(ref_z=""),
            HERE + '"reference_z_m": found an empty cell; expected the place at which axial '
            "strain is stated. Write the z of the centroid, in the coordinates of points.csv.",
        ),
        (
            row(modulus=""),
            HERE + '"modulus_gpa": found an empty cell; expected the modulus to which area_m2 '
            "refers. Write the modulus, or leave area_m2 empty: then no force is given.",
        ),
        (
            row(area="", i_y=""),
            HERE + '"modulus_gpa": found 210 alone; expected a modulus with a property of the '
            "section. Write area_m2, inertia_y_m4 or inertia_z_m4, or leave the modulus empty.",
        ),
        (
            row(i_z="0.001"),
            HERE + '"inertia_z_m4": found a value; expected an empty cell for bending about y. '
            "Leave it empty, or bend about both.",
        ),
        (
            row(i_yz="0.001"),
            HERE + '"inertia_yz_m4": found 0.001; expected 0 unless bending is about both. With a '
            "product of inertia, bending about one axis alone has no moment of its own.",
        ),
        (
            row(alpha="0.5"),
            HERE + '"significance": found 0.5; expected above 0 and at most 0.1. Write a small '
            "share, for example 0.001.",
        ),
        (
            row(off="-5"),
            HERE + '"off_plane_um_m": found -5; expected a number not below 0. Write 0 or a '
            "number above.",
        ),
        (
            row(structure="adler"),
            HERE + '"structure": found "adler"; expected the id of a structure. Did you mean '
            '"alder"?',
        ),
    ],
)
def test_mistake_is_told_with_place_and_remedy(
    tmp_path: Path, change: Change, message: str
) -> None:
    """One wrong cell, one message: file, line, column, found, expected, what to do."""
    changes = [change]
    if "both" in change[2]:  # B1-third is at another y: put it in line with the others
        changes.append(("points.csv", "B1-third,alder,B1,6.0,0.2,", "B1-third,alder,B1,6.0,0.0,"))

    assert told(tmp_path, changes) == [message]


def test_section_needs_as_many_points_as_unknowns(tmp_path: Path) -> None:
    """Two points for bending about both: the message names them and how many there must be."""
    alone = ("points.csv", "mechanical,210,mid,,,,\n", "mechanical,210,,,,,\n")

    found = told(tmp_path, [row(bending="both", ref_y="0.0"), alone])

    assert found == [
        HERE + '"section": found 2 points: "B1-mid", "B1-quarter"; expected at least 3 for '
        "bending about both. Write the section's name at more points in points.csv."
    ]


def test_points_of_a_section_have_places(tmp_path: Path) -> None:
    """A point without z cannot be put on a plane that varies with z: told in points.csv."""
    change = ("points.csv", "B1-third,alder,B1,6.0,0.2,-0.3", "B1-third,alder,B1,6.0,0.2,")

    assert told(tmp_path, [change]) == [
        'points.csv, line 5, point "B1-third", column "z_m": found an empty cell; expected a '
        'place, since section "B1-sec" bends about y. Write its z in m.'
    ]


def test_a_sensor_of_another_quantity_is_no_point_of_a_section(tmp_path: Path) -> None:
    """A tilt sensor with the section's name is told at the section."""
    change = ("points.csv", "tilt,mm/m,,,,-50", "tilt,mm/m,,,mid,-50")

    assert told(tmp_path, [change]) == [
        HERE + '"section": found "P1-tilt", whose quantity is tilt; expected a point of quantity '
        "strain. Name a strain point."
    ]
