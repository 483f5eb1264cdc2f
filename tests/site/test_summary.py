"""
The summary says all that a person checks against the drawing, and nothing that a clock decides.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.site.read import read_site
from pipeline.site.summary import describe
from tests.site.examples import FOIL, FOIL_ROW, WITH_COMPANION, Change, write_example_site
from tests.site.test_read import ZERO


def _summary(folder: Path, *changes: Change, extra: dict[str, str] | None = None) -> list[str]:
    text = describe(read_site(write_example_site(folder, *changes, extra=extra)))

    assert text.endswith("\n")
    return text.splitlines()


def _block(lines: list[str], first: str) -> list[str]:
    """The line `first` and the deeper indented ones below it, without their indent."""
    start = lines.index(first)
    depth = len(first) - len(first.lstrip())
    block = []
    for line in lines[start + 1 :]:
        if len(line) - len(line.lstrip()) <= depth:
            break
        block.append(line.strip())
    return block


def test_point_is_described_with_all_that_hangs_on_it(tmp_path: Path) -> None:
    """Place, gauge, wiring, channel, node, calibration, climate and zero, one a line."""
    block = _block(_summary(tmp_path), "    B1-quarter: mechanical strain in µm/m")

    assert block == [
        "at           x 3.000  y 0.000  z -0.300 m, along the beam",
        "gauge        C-0712, batch C26-07, since 2026-03-02T10:15:00Z",
        "wired        resistance_4wire, unstrained 301240 Ohm at 18.5 °C and 55 %RH",
        "channel      carbon-1, node AL-N1, resistance in Ohm, every 60 s",
        "calibration  C26-07, cubic, -1000 to 1400 µm/m, valid from 2026-02-17T00:00:00Z, "
        "expires 2028-08-17T00:00:00Z",
        "climate      model; yields mechanical strain; temperature steel-t, humidity air-rh (air: "
        "air-t), not older than 900 s",
        "zero         none: relative only until its first zero",
    ]


def test_rule_is_described_with_limit_basis_and_people(tmp_path: Path) -> None:
    """What is watched, by which figure, to which limit, on what ground, and who is told."""
    block = _block(_summary(tmp_path), "    mid-level: level, priority high")

    assert block == [
        "watches   B1-mid",
        "when      value ± 2u above 350 µm/m or below -350 µm/m, deadband 20, on-delay 120 s, "
        "off-delay 300 s",
        "basis     calculation AL-12, I. Okoro, 2026-01-20: 350 µm/m is 80 % of the "
        "serviceability stress",
        "response  close the crossing, walk the deck, call the engineer",
        "tells     ines, tomas; respond within 30 min",
    ]


def test_pattern_is_resolved_to_the_points_it_watches(tmp_path: Path) -> None:
    """A pattern shows as the points that it matches, so that an omission is seen."""
    lines = _summary(tmp_path)

    assert _block(lines, "    quiet: silent, priority medium")[0] == (
        "watches   B1-mid, B1-quarter, P1-tilt"
    )
    assert "    quarter-level: level, priority critical, latching" in lines


def test_replaced_gauge_is_shown_before_the_present_one(tmp_path: Path) -> None:
    """The point shows the gauge of now and since when, and the earlier one with its span."""
    ended = FOIL_ROW.replace("09:30:00Z,,", "09:30:00Z,2026-06-01T08:00:00Z,")
    after = FOIL_ROW.replace("F-0411", "F-0412").replace("2026-03-02T09:30", "2026-06-01T08:00")

    lines = _summary(tmp_path, ("gauges.csv", FOIL_ROW, ended + after))

    block = _block(lines, "    B1-mid: mechanical strain in µm/m")
    assert "gauge        F-0412, batch F26-04, since 2026-06-01T08:00:00Z" in block
    assert block[-1] == ("before       gauge F-0411, 2026-03-02T09:30:00Z to 2026-06-01T08:00:00Z")


def test_removed_gauge_is_not_called_present(tmp_path: Path) -> None:
    """A point whose last gauge was taken away says since when there is none."""
    ended = FOIL_ROW.replace("09:30:00Z,,", "09:30:00Z,2026-06-01T08:00:00Z,")

    lines = _summary(tmp_path, ("gauges.csv", FOIL_ROW, ended))

    block = _block(lines, "    B1-mid: mechanical strain in µm/m")
    assert block[1] == "gauge   none since 2026-06-01T08:00:00Z"


def test_history_companion_and_zero_are_shown(tmp_path: Path) -> None:
    """Each calibration in force, the companion on its free piece and the last zero have a line."""
    later = FOIL.replace("valid_from = 2026-02-10", "valid_from = 2026-07-01")
    extra = {"calibrations/later.toml": later, "zeros.jsonl": ZERO}

    lines = _summary(tmp_path, *WITH_COMPANION, extra=extra)

    block = _block(lines, "    B1-mid: mechanical strain in µm/m")
    assert sum(line.startswith("calibration  F26-04, line") for line in block) == 2
    assert "climate      companion F-0500; yields mechanical strain" in block
    assert block[-1] == (
        "zero         0 µm/m at 8.5 °C from 2026-03-03T04:00:00Z, by Ines Okoro: closed"
    )
    free = _block(lines, "    B1-free: mechanical strain in µm/m")
    assert free[1].endswith("since 2026-03-02T09:00:00Z, on a free piece")


def test_settings_people_and_hash_stand_at_the_head(tmp_path: Path) -> None:
    """Broker, storage, mail and people, with the hash that the archive will carry."""
    site = read_site(write_example_site(tmp_path))

    lines = describe(site).splitlines()

    assert lines[0] == f"Alder crossing  (Europe/Dublin, configuration {site.sha256[:12]})"
    assert "  broker   127.0.0.1:1883, MQTT 5, topics spanwarden/…, no TLS, no user" in lines
    assert "  ines   Ines Okoro    engineer  mail then log  ines@alder.example" in lines
    assert "    air-rh   node AL-N1, humidity in %RH, every 60 s" in lines


def test_line_end_in_a_name_makes_no_line_of_its_own(tmp_path: Path) -> None:
    """A name cannot pretend to be another entry of the summary."""
    lines = _summary(tmp_path, ("site.toml", '"Ines Okoro"', '"Ines\\n  tomas  Okoro"'))

    assert any(line.startswith("  ines   Ines tomas Okoro") for line in lines)
