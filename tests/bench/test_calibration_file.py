"""
What is written reads back the same, by the site's own reader and checks.
"""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.bench.calibration_file import calibration_text
from pipeline.site.files import read_files
from pipeline.site.located import Entry
from pipeline.site.models import (
    Ageing,
    Calibration,
    Creep,
    Curve,
    Moisture,
    Temperature,
)
from pipeline.site.parts import read_parts
from pipeline.site.read import read_site
from pipeline.site.validate import validated
from tests.bench.calibrated import outcome
from tests.site.examples import write_example_site

HOSTILE = 'a "quoted" \\ back\nslash, tab\t, µ, DEL \x7f and # no comment'


def full_calibration() -> Calibration:
    """Every table and awkward texts and numbers."""
    when = datetime(2026, 3, 12, 9, 0, tzinfo=UTC)
    return Calibration(
        id="cal-x",
        kind="strain",
        batch="PC-40",
        author=HOSTILE,
        source="[curve]",
        source_sha256="0" * 64,
        instrument="meter",
        recorded=when,
        valid_from=when,
        expires=datetime(2028, 3, 12, tzinfo=UTC),
        curve=Curve(
            kind="monotone",
            knots_strain_um_m=(-1049.6357485714284, 0.0, 1e-7),
            knots_delta=(-0.1 - 0.2, 0.0, 5e-324),
            range_um_m=(-1.0, 0.0),
            covariance=((1e-300, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1.0 / 3.0)),
            degrees_of_freedom=1e22,
        ),
        temperature=Temperature(output=(4e-4,), yields="total", range_c=(-10.0, 50.0)),
        moisture=Moisture(output=(6e-3, 1e-3), time_constant_s=8880.0),
        creep=(
            Creep(fraction=0.01, time_constant_s=1800.0),
            Creep(fraction=0.02, time_constant_s=3e4),
        ),
        ageing=Ageing(kind="linear", per_year=1e-4),
    )


def read_back(text: str) -> Calibration:
    """The calibration of a TOML text."""
    valid, mistakes, _ = validated(Calibration, [Entry(tomllib.loads(text), "x.toml", "")])
    assert mistakes == []
    return valid[0].item


def test_every_figure_reads_back_to_the_last_bit() -> None:
    """Quotes, breaks, tiny and large numbers; nothing is rounded."""
    one = full_calibration()

    assert read_back(calibration_text(one, ["note\nof two lines", HOSTILE])) == one


@pytest.mark.slow
@pytest.mark.parametrize("name", ["plain", "both sides", "levelling", "straight"])
def test_a_site_takes_what_calibrate_wrote(tmp_path: Path, name: str) -> None:
    """Every check of a site passes it: monotone, covariance, range, owner."""
    one = outcome(name)
    write_example_site(tmp_path)
    (tmp_path / "calibrations" / f"{one.calibration.id}.toml").write_text(one.text, "utf-8")

    read_site(tmp_path)  # raises where a check refuses any calibration of the folder
    parts, _ = read_parts(tmp_path, read_files(tmp_path)[0])

    assert one.calibration in [calibration.item for calibration in parts.calibrations]


@pytest.mark.slow
def test_the_source_hash_changes_with_the_source() -> None:
    """The hash is of the files; the same bench gives the same one."""
    plain, other = outcome("plain").calibration, outcome("straight").calibration

    assert plain.source_sha256 is not None
    assert len(plain.source_sha256) == 64
    assert plain.source_sha256 != other.source_sha256
