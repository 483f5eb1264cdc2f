"""
The example site with a third strain point, a rosette and a section, as text to be changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.site.examples import Change
from tests.site.telling import messages

THIRD: tuple[Change, ...] = (
    (
        "points.csv",
        "P1-tilt,alder",
        "B1-third,alder,B1,6.0,0.2,-0.3,along the beam,strain,µm/m,mechanical,210,,,,\n"
        "P1-tilt,alder",
    ),
    (
        "channels.csv",
        "tilt-1,AL-N1",
        "foil-2,AL-N1,bridge,/,60,-0.0625,0.0625\ntilt-1,AL-N1",
    ),
    (
        "gauges.csv",
        "T-0003,T26-01",
        "F-0412,F26-04,B1-third,2026-03-02T09:30:00Z,,foil-2,quarter_3wire,0.000101,0.0000005,"
        "18.5,,1.8,350,F26-04,model,,steel-t,,\nT-0003,T26-01",
    ),
    ("points.csv", "gross_low,gross_high,flat_s,flat_tolerance\n",
     "section,gross_low,gross_high,flat_s,flat_tolerance\n"),
    ("points.csv", "mechanical,210,-3000", "mechanical,210,mid,-3000"),
    ("points.csv", "mechanical,210,,,,\n", "mechanical,210,mid,,,,\n"),
    ("points.csv", "tilt,mm/m,,,-50", "tilt,mm/m,,,,-50"),
    ("points.csv", "B1-mid,alder,B1,6.0,0.0,-0.3", "B1-mid,alder,B1,6.0,0.0,-0.9"),
)  # fmt: skip
"""B1-third beside B1-mid, and all three strain points in the section "mid"."""

ROSETTES = """\
id,structure,layout,point_a,point_b,point_c,angle_a_deg,angle_b_deg,angle_c_deg,angle_u_deg,\
transverse_a_percent,transverse_u_percent,calibration_poisson,modulus_gpa,poisson,join_age_s
B1-ros,alder,rectangular,B1-mid,B1-quarter,B1-third,,,,1,0.8,0.2,,210,0.3,90
"""

SECTIONS = """\
id,structure,section,bending,reference_y_m,reference_z_m,modulus_gpa,area_m2,inertia_y_m4,\
inertia_z_m4,inertia_yz_m4,off_plane_um_m,significance,join_age_s
B1-sec,alder,mid,y,,-0.55,210,0.02,0.003,,,5,,90
"""


def told(folder: Path, changes: Sequence[Change] = ()) -> list[str]:
    """Every message about the site with both tables, after `changes` to any of its files."""
    extra = {"rosettes.csv": ROSETTES, "sections.csv": SECTIONS}
    return messages(folder, *THIRD, *changes, extra=extra)
