"""
rosettes.csv and sections.csv as they are read, what they yield, and how they are described.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.site.derived_points import derived_units
from pipeline.site.read import read_site
from pipeline.site.snapshot import snapshot
from pipeline.site.summary import describe
from tests.site.derived_tables import ROSETTES, SECTIONS, THIRD, told
from tests.site.examples import write_example_site

BOTH = {"rosettes.csv": ROSETTES, "sections.csv": SECTIONS}


def test_both_tables_are_optional_and_stand_in_the_structure(tmp_path: Path) -> None:
    """Without the files there are none; with them each row is in its structure, with defaults."""
    without = read_site(write_example_site(tmp_path / "a")).structures[0]
    structure = read_site(write_example_site(tmp_path / "b", *THIRD, extra=BOTH)).structures[0]

    assert (without.rosettes, without.sections) == ((), ())
    rosette, section = structure.rosettes[0], structure.sections[0]
    assert rosette.angles_deg == (0.0, 45.0, 90.0)
    assert (rosette.transverse_a_percent, rosette.transverse_b_percent) == (0.8, 0.0)
    assert rosette.calibration_poisson == 0.285
    assert (section.bending, section.significance, section.inertia_yz_m4) == ("y", 0.001, 0.0)


def test_the_tables_are_part_of_the_configuration(tmp_path: Path) -> None:
    """Their text is in the snapshot and changes the hash; a table without rows is told."""
    folder = write_example_site(tmp_path, *THIRD, extra=BOTH)
    sha256, files = snapshot(folder)
    (folder / "sections.csv").write_text(SECTIONS.replace("-0.55", "-0.5"))

    assert {"rosettes.csv", "sections.csv"} <= files.keys()
    assert snapshot(folder)[0] != sha256
    assert told(tmp_path, [("sections.csv", SECTIONS.splitlines()[1] + "\n", "")]) == [
        "sections.csv: found no rows; expected at least one section. Add a row for every section."
    ]


def test_every_quantity_has_its_unit(tmp_path: Path) -> None:
    """What the archive's metadata tells of derived rows; no plane check for as many as unknowns."""
    structure = read_site(write_example_site(tmp_path, *THIRD, extra=BOTH)).structures[0]
    units = dict(derived_units(structure))

    assert units["B1-ros/principal_strain_1"] == "µm/m"
    assert units["B1-ros/principal_angle"] == "°"
    assert units["B1-ros/max_shear_stress"] == "MPa"
    assert units["B1-sec/curvature_y"] == "µm/m²"
    assert units["B1-sec/moment_y"] == "kN·m"
    assert "plane_chi2" in structure.sections[0].quantities(3)
    assert "plane_chi2" not in structure.sections[0].quantities(2)


def test_summary_lists_derived_points(tmp_path: Path) -> None:
    """Gauges with their directions, correction, plane, forces and age; and that nothing watches."""
    text = describe(read_site(write_example_site(tmp_path, *THIRD, extra=BOTH)))
    start = text.index("  Derived points\n")

    assert text[start : text.index("\n\n", start)].splitlines() == [
        "  Derived points",
        "    B1-ros: rosette, rectangular",
        "      gauges      a B1-mid at 0°, b B1-quarter at 45°, c B1-third at 90° (each ± 1°)",
        "      transverse  0.8, 0, 0 %, factors found at Poisson's ratio 0.285",
        "      stress      plane, E 210 GPa, Poisson's ratio 0.3",
        "      made of     mechanical strain, a value not older than 90 s",
        "      watched     by no rule",
        '    B1-sec: section "mid", bending about y',
        "      points       B1-mid (y 0 m, z -0.9 m), B1-quarter (y 0 m, z -0.3 m), "
        "B1-third (y 0.2 m, z -0.3 m)",
        "      axial at     z -0.55 m",
        "      plane check  χ² with 1 degrees of freedom, significance 0.001, local effects 5 µm/m",
        "      forces       E 210 GPa, A 0.02 m², I_y 0.003 m⁴",
        "      made of      mechanical strain, a value not older than 90 s",
        "      watched      by no rule",
    ]


def test_rules_do_not_watch_derived_points_by_a_pattern(tmp_path: Path) -> None:
    """`*` takes the points of points.csv; a rule that names a derived point alone is refused."""
    text = describe(read_site(write_example_site(tmp_path, *THIRD, extra=BOTH)))
    watching = [line for line in text.splitlines() if line.startswith("      watches")]

    assert not any("B1-ros" in line or "B1-sec" in line for line in watching)
    found = told(tmp_path, [("rules.toml", 'points = ["B1-mid"]', 'points = ["B1-sec"]')])
    assert len(found) == 1
    assert 'found "B1-sec"; expected a pattern that matches a point of "alder"' in found[0]
