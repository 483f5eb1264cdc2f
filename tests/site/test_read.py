"""
Reading a whole site: what a good one becomes, and that all mistakes of a bad one come at once.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.site.assemble import assemble
from pipeline.site.parts import read_parts
from pipeline.site.read import read_site
from tests.site.examples import FILES, FOIL, FOIL_ROW, WITH_COMPANION, Change, write_example_site
from tests.site.telling import messages, messages_of


def test_example_becomes_the_site_that_its_files_describe(tmp_path: Path) -> None:
    """Every row and table is found again on its structure, with numbers and times as written."""
    site = read_site(write_example_site(tmp_path))

    (structure,) = site.structures
    assert (site.name, site.timezone, site.folder) == (
        "Alder crossing",
        "Europe/Dublin",
        str(tmp_path),
    )
    assert [p.id for p in structure.points] == ["B1-mid", "B1-quarter", "P1-tilt"]
    assert len(structure.channels) == 6
    assert [c.id for c in structure.calibrations] == ["C26-07", "F26-04", "T26-01"]
    assert {rule.kind for rule in structure.rules} == {"level", "silent", "gauge_fault", "station"}
    foil = structure.placements[0]
    assert (foil.serial, foil.unstrained, foil.lead_ohm) == ("F-0411", 0.000132, 1.8)
    assert foil.valid_from == datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    assert (foil.valid_to, foil.unstrained_humidity_rh) == (None, None)


def test_example_with_companion_is_accepted(tmp_path: Path) -> None:
    """A free gauge of the batch, in place all the time, is a companion without a word."""
    write_example_site(tmp_path, *WITH_COMPANION)

    site = read_site(tmp_path)

    assert [p.free for p in site.structures[0].placements] == [False, True, False, False]


@pytest.mark.parametrize("name", [name for name in FILES if "/" not in name])
def test_missing_file_stops_when_it_is_not_there(name: str, tmp_path: Path) -> None:
    """A file that is missing is told, alone; never is an empty table taken for it."""
    write_example_site(tmp_path)
    (tmp_path / name).unlink()

    told = messages_of(tmp_path)

    assert len(told) == 1
    assert told[0].startswith(f"{name}: found no such file; expected a file, since ")
    assert told[0].endswith(f"Put {name} into the folder; an example site is in config/.")


def test_missing_calibrations_stop_when_there_is_none(tmp_path: Path) -> None:
    """A folder without a calibration is told once, not once for each gauge."""
    write_example_site(tmp_path)
    for path in (tmp_path / "calibrations").iterdir():
        path.unlink()

    told = messages_of(tmp_path)

    assert told == [
        "calibrations: found no *.toml file; expected a file per calibration. Put at least one "
        "calibration there; `spanwarden calibrate` writes them."
    ]


def test_file_that_cannot_be_read_is_told_with_the_reason(tmp_path: Path) -> None:
    """A folder in the place of a file, or a missing right, is told as the system says it."""
    write_example_site(tmp_path)
    (tmp_path / "points.csv").unlink()
    (tmp_path / "points.csv").mkdir()

    told = messages_of(tmp_path)

    assert told == [
        "points.csv: found a file that cannot be read (Is a directory); expected a readable file. "
        "Give the station's user the right to read it."
    ]


def test_parts_without_required_tables_make_no_site(tmp_path: Path) -> None:
    """Even without the checks before it, half a configuration never becomes a site."""
    parts, _ = read_parts(tmp_path, {})

    with pytest.raises(ConfigError) as raised:
        assemble(parts, "")

    assert "found no [site], [broker] or [storage]; expected all three." in str(raised.value)


def test_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A wrong path on the command line says so, before it says that files are missing."""
    told = messages_of(tmp_path / "nowhere")

    assert "found no such folder; expected the folder of a site. Give the folder" in told[0]


def test_empty_tables_are_mistakes_when_files_hold_nothing(tmp_path: Path) -> None:
    """A table without rows, a header alone and a file without tables are each told."""
    extra = {
        "points.csv": "id,structure,member\n# none yet\n",
        "channels.csv": "",
        "rules.toml": "# none yet\n",
    }

    told = messages(tmp_path, extra=extra)

    assert told == [
        "points.csv: found no rows; expected at least one point. Add a row for every point.",
        "channels.csv: found no rows; expected at least one channel. Add a row for every channel.",
        "rules.toml: found no [[rule]]; expected at least one [[rule]]. Add [[rule]] with its "
        "keys below it; an example site is in config/.",
    ]


def test_all_mistakes_come_at_once_when_every_file_has_one(tmp_path: Path) -> None:
    """One run tells the mistakes of all files and of the cross-checks between them."""
    changes: list[Change] = [
        ("site.toml", "port = 1883", 'port = "1883"'),
        ("points.csv", "B1,6.0,", "B1,six,"),
        ("channels.csv", "tilt-1,AL-N1,linear,deg,60", "tilt-1,AL-N1,linear,deg,-60"),
        ("gauges.csv", "resistance_4wire", "resistance_5wire"),
        ("calibrations/tilt.toml", "scale = 17.453", "scale = nan"),
        ("rules.toml", "high = 350.0", "hihg = 350.0"),
        ("rules.toml", 'tell = ["ines", "tomas"]', 'tell = ["ines", "nobody"]'),
    ]

    told = messages(tmp_path, *changes, extra={"zeros.jsonl": "{"})

    files = {line.split(",")[0] for line in told}
    assert files == {
        "site.toml",
        "points.csv",
        "channels.csv",
        "gauges.csv",
        "calibrations/tilt.toml",
        "rules.toml",
        "zeros.jsonl",
    }
    assert sum('found "nobody"' in line for line in told) == 5
    assert len(told) == 7 + 5


def test_refused_entry_is_not_echoed_when_others_refer_to_it(tmp_path: Path) -> None:
    """A point, a channel and a person with a mistake of their own are not called unknown too."""
    changes: list[Change] = [
        ("points.csv", "B1,6.0,", "B1,six,"),
        ("channels.csv", "carbon-1,AL-N1,resistance,Ohm,60", "carbon-1,AL-N1,resistance,Ohm,often"),
        ("site.toml", 'roles = ["operator"]', 'roles = ["boss"]'),
    ]

    told = messages(tmp_path, *changes)

    assert [line.split(":")[0] for line in told] == [
        'site.toml, line 37, person "tomas", key "roles"',
        'points.csv, line 3, point "B1-mid", column "x_m"',
        'channels.csv, line 3, channel "carbon-1", column "interval_s"',
    ]


def test_corrected_calibration_wins_when_recorded_later(tmp_path: Path) -> None:
    """Of two with one id and one valid_from the later recorded is taken, whatever its file."""
    corrected = FOIL.replace("2.08]", "2.11]").replace("2026-02-11T15", "2026-04-01T09")
    write_example_site(tmp_path, extra={"calibrations/a-corrected.toml": corrected})

    (structure,) = read_site(tmp_path).structures

    (foil,) = [c for c in structure.calibrations if c.id == "F26-04"]
    assert foil.curve is not None
    assert foil.curve.coefficients == (2.11,)


def test_history_of_a_calibration_is_kept_when_valid_from_differs(tmp_path: Path) -> None:
    """Calibrations of one id with different valid_from all reach the structure, oldest first."""
    later = FOIL.replace("valid_from = 2026-02-10", "valid_from = 2026-07-01")
    write_example_site(tmp_path, extra={"calibrations/a-later.toml": later})

    (structure,) = read_site(tmp_path).structures

    foil = [c.valid_from.month for c in structure.calibrations if c.id == "F26-04"]
    assert foil == [2, 7]


def test_later_calibration_is_checked_too_when_it_comes_into_force(tmp_path: Path) -> None:
    """A correction of another batch is refused although the calibration at the start was right."""
    later = FOIL.replace("valid_from = 2026-02-10", "valid_from = 2026-07-01").replace(
        'batch = "F26-04"', 'batch = "F26-05"'
    )

    told = messages(tmp_path, extra={"calibrations/later.toml": later})

    assert told == [
        'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-04" of batch '
        '"F26-05" (calibrations/later.toml); expected one of serial "F-0411" or batch "F26-04". '
        "Name another calibration, or mend the batch here."
    ]


def test_replaced_gauge_is_a_seam_when_the_first_has_ended(tmp_path: Path) -> None:
    """Two gauges follow each other at one point and on one channel, the end being exclusive."""
    ended = FOIL_ROW.replace("09:30:00Z,,", "09:30:00Z,2026-06-01T08:00:00Z,")
    after = FOIL_ROW.replace("F-0411", "F-0412").replace("2026-03-02T09:30", "2026-06-01T08:00")
    write_example_site(tmp_path, ("gauges.csv", FOIL_ROW, ended + after))

    (structure,) = read_site(tmp_path).structures

    assert [p.serial for p in structure.placements if p.point == "B1-mid"] == ["F-0411", "F-0412"]


def test_unset_secret_is_a_mistake_only_when_the_environment_is_given(tmp_path: Path) -> None:
    """`check` on a desk passes; the station, which hands its environment over, is refused."""
    user = 'port = 1883\nusername = "alder"\npassword_env = "ALDER_PASSWORD"'
    write_example_site(tmp_path, ("site.toml", "port = 1883", user))

    assert messages_of(tmp_path) == []
    assert messages_of(tmp_path, {"ALDER_PASSWORD": "x"}) == []
    assert messages_of(tmp_path, {}) == [
        "environment, variable ALDER_PASSWORD: found neither ALDER_PASSWORD nor "
        "ALDER_PASSWORD_FILE set; expected a secret. Set ALDER_PASSWORD, or set "
        "ALDER_PASSWORD_FILE to the path of a file that holds it."
    ]


def test_password_never_stands_in_a_message(tmp_path: Path) -> None:
    """A password written in a file is refused without being repeated, wherever it stands."""
    changes: list[Change] = [
        ("site.toml", "port = 1883", 'port = 1883\nusername = "a"\npassword_env = "hunter-22!"'),
        ("site.toml", "port = 2525", 'port = 2525\nusername = "a"\npassword = "hunter-22!"'),
    ]
    write_example_site(tmp_path, *changes)

    with pytest.raises(ConfigError) as raised:
        read_site(tmp_path)

    assert "hunter" not in str(raised.value)
    assert "A password is never written in a file" in str(raised.value)


ZERO = (
    '{"serial": "F-0411", "valid_from": "2026-03-03T04:00:00Z", "recorded": '
    '"2026-03-03T09:00:00Z", "offset_delta": 1.2e-5, "offset_delta_u": 1e-6, '
    '"known_strain_um_m": 0.0, "temperature_c": 8.5, "by": "Ines Okoro", "reason": "closed"}\n'
)


def test_zeros_reach_their_structure_when_the_gauge_was_in_place(tmp_path: Path) -> None:
    """A zero is of the structure on which its gauge sat then; blank lines are passed over."""
    write_example_site(tmp_path, extra={"zeros.jsonl": ZERO + "\n"})

    (zero,) = read_site(tmp_path).structures[0].zeros

    assert (zero.offset_delta, zero.temperature_c) == (1.2e-5, 8.5)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            ZERO.replace("F-0411", "F-0911"),
            'zeros.jsonl, line 2, zero of "F-0911", key "serial": found "F-0911"; expected a '
            "serial of gauges.csv. Mend the serial; a line is never taken out, since it is "
            "history.",
        ),
        (
            ZERO.replace("2026-03-03T04", "2026-02-03T04"),
            'zeros.jsonl, line 2, zero of "F-0411", key "valid_from": found '
            "2026-02-03T04:00:00+00:00, when the gauge was at no point; expected a time at which "
            "it was in place. Mend the time here, or valid_from and valid_to in gauges.csv.",
        ),
        (
            ZERO.replace("closed", " "),
            'zeros.jsonl, line 2, zero of "F-0411", key "reason": found an empty text; expected '
            "the reason of the zero. A zero is a statement by a person, with its reason: write "
            "it.",
        ),
        (
            "[1]",
            "zeros.jsonl, line 2: found a list; expected one JSON object a line. Write one object "
            "in braces a line.",
        ),
        (
            ZERO[:40],
            "zeros.jsonl, line 2: found a line that is not JSON (unterminated string starting "
            "at: line 1 column 36 (char 35)); expected one JSON object a line. If the line was "
            "cut off while it was written, take it out; else mend it.",
        ),
        (
            ZERO.replace('"by"', '"reason"'),
            'zeros.jsonl, line 2: found a line that is not JSON (key "reason" is given twice); '
            "expected one JSON object a line. If the line was cut off while it was written, take "
            "it out; else mend it.",
        ),
    ],
)
def test_bad_zero_is_told_with_its_line(line: str, message: str, tmp_path: Path) -> None:
    """A zero that nobody can stand by is refused, not passed over."""
    told = messages(tmp_path, extra={"zeros.jsonl": ZERO + line})

    assert told == [message]
