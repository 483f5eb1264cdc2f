"""
`spanwarden explain` on a sealed archive, on what is not sealed yet, and on what is not there.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.blocks import Results
from pipeline.cli import main
from pipeline.derive.moment import row_at
from pipeline.site.snapshot import write_snapshot
from tests.archived import played
from tests.replaying import Replay

pytestmark = pytest.mark.slow

AT = "2026-06-17T09:25:00Z"  # the lorry stands in span 1
AT_US = round(datetime.fromisoformat(AT).timestamp()) * 1_000_000


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Replay]:
    """The load test, sealed for good."""
    replay = played(tmp_path_factory.mktemp("explained"), "load-test")
    yield replay
    replay.close()


def explained(folder: Path | str, point: str, at: str, *more: str) -> list[str]:
    """Arguments of the command."""
    return ["explain", point, at, "--site", str(folder), *more]


def facts(capsys: pytest.CaptureFixture[str], folder: Path | str, point: str, at: str) -> Any:
    """What the command says to programs."""
    assert main(explained(folder, point, at, "--json")) == 0
    return json.loads(capsys.readouterr().out)


def results_of(replay: Replay) -> Results:
    """The stream's one window."""
    (window,) = replay.archive.windows("results")
    return replay.archive.read_results(window)


@pytest.mark.parametrize(
    "point", ["qd-g1-s1-foil", "qd-g1-s1-bot", "qd-g1-pier-top", "qd-tilt-pier", "qd-t-g1"]
)
def test_json_is_the_row_of_the_archive(
    station: Replay, capsys: pytest.CaptureFixture[str], point: str
) -> None:
    """Foil, printed gauge, one with a companion and linear sensors: each column is what is stored,
    and the budget is its u."""
    found = facts(capsys, station.site.folder, point, AT)
    row = row_at(results_of(station), point, AT_US)

    assert row is not None
    assert found["stored"] == {"row": row, "equal": True, "differences": {}}
    for name, value in row.items():
        assert found["row"][name] == (
            pytest.approx(value, rel=1e-9, abs=1e-6) if isinstance(value, float) else value
        )
    assert found["budget"]["u"] == pytest.approx(row["u"], rel=1e-9)


def test_json_names_all_that_the_number_rests_on(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Raw row and file, zero with its person, calibration with file and hash, configuration."""
    found = facts(capsys, station.site.folder, "PC31-04", AT)
    raw, calibration = found["raw"], found["calibration"]

    assert found["point"]["id"] == "qd-g1-s1-bot"
    assert (raw["channel"], raw["node"], raw["status"]) == ("n1-g1s1-ohm", "deck-n1", "final")
    assert Path(raw["file"]).is_file()
    assert [reading["used"] for reading in raw["readings"]] == [True]
    assert found["zero"]["by"] == "ines-oakhollow"
    assert found["zero"]["offset_delta"] == 6.5988e-05
    assert calibration["id"] == "cal-pc31-2026"
    assert Path(calibration["file"]).name == "cal-pc31-2026.toml"
    assert len(calibration["file_sha256"]) == 64
    assert found["configuration"]["sha256"] == station.site.sha256
    assert found["configuration"]["sealed_by_sha256"] == station.site.sha256


def test_the_text_tells_the_chain_from_top_to_bottom(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every section is there, in order, no line is wider than 100 columns (a path may be)."""
    assert main(explained(station.site.folder, "qd-g1-s1-bot", AT)) == 0
    text = capsys.readouterr().out
    places = [text.index(title) for title in (
        "1  Raw reading", "2  From the instrument to δ", "3  Climate", "4  From δ to strain",
        "5  Strains", "6  Uncertainty", "7  Quality", "8  What it rests on", "9  In the archive",
    )]  # fmt: skip

    assert places == sorted(places)
    assert (
        max(len(line) for line in text.splitlines() if str(station.site.folder) not in line) <= 100
    )
    for word in ("R0, at reference climate", "- thermal_output", "= mechanical", "coverage factor",
                 "stated by ines-oakhollow", "The row in the archive says the same",
                 "No alarm does not mean safe"):  # fmt: skip
        assert " ".join(word.split()) in " ".join(text.split())


def test_a_time_without_a_reading_names_the_nearest_ones(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1; both neighbours with the time as it must be given."""
    code = main(explained(station.site.folder, "qd-g1-s1-foil", "2026-06-17T09:25:04Z"))
    said = capsys.readouterr().out

    assert code == 1
    assert "No reading of point qd-g1-s1-foil (gauge FO14-101, channel n1-g1s1-b)" in said
    assert "2026-06-17T09:25:00Z" in said
    assert "2026-06-17T09:25:10Z" in said


def test_a_time_far_from_any_reading_names_the_archive(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1; from when to when there is anything."""
    code = main(explained(station.site.folder, "qd-g1-s1-foil", "2026-09-01T00:00:00Z"))

    assert code == 1
    assert (
        "nor within a day of it. The archive goes from 2026-06-17T00:00:00Z to "
        "2026-06-18T00:00:00Z." in capsys.readouterr().out
    )


@pytest.mark.parametrize(
    ("point", "at", "message"),
    [
        ("qd-g1-s1-foi", AT, 'found "qd-g1-s1-foi"; expected a point of points.csv or a serial of '
         'gauges.csv. Did you mean "qd-g1-s1-foil"?'),
        ("PC32-03", "2026-08-01T00:00:00Z", "found a time at which no gauge was in place for "
         '"PC32-03"; expected a time within: PC32-03 at qd-g2-s1-bot from 2026-04-08T10:00:00'),
        ("qd-g1-s1-foil", "2020-01-01", 'at which no gauge was in place for "qd-g1-s1-foil"'),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_told(
    station: Replay, capsys: pytest.CaptureFixture[str], point: str, at: str, message: str
) -> None:
    """Exit code 2, with what there is."""
    code = main(explained(station.site.folder, point, at))

    assert code == 2
    assert message in capsys.readouterr().err


def test_a_derived_point_sends_to_the_points_that_it_is_made_of(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2; each of its points is named."""
    (section,) = station.setup.structure.sections
    points = [p.id for p in station.setup.structure.points if p.section == section.section]
    code = main(explained(station.site.folder, section.id, AT))

    assert code == 2
    assert f"which is worked out from the points {', '.join(points)}; expected a point with a" in (
        capsys.readouterr().err
    )


def test_a_replaced_gauge_is_explained_by_its_serial_or_its_point(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """In June PC32-03 was there, before it was replaced in July."""
    by_point = facts(capsys, station.site.folder, "qd-g2-s1-bot", AT)
    by_serial = facts(capsys, station.site.folder, "PC32-03", AT)

    assert by_point == by_serial
    assert by_point["gauge"]["serial"] == "PC32-03"


def test_a_changed_configuration_is_told_with_both_values(
    station: Replay, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The account is of now; the archive's row is another, and which configuration made it."""
    folder = tmp_path / "changed"
    shutil.copytree(station.site.folder, folder)
    kept = folder / "data" / "quill-deck" / "configurations"
    write_snapshot(station.site, kept, AT_US)
    sheet = folder / "calibrations" / "cal-fo14.toml"
    sheet.write_text(sheet.read_text().replace("[2.08002]", "[2.0]"))
    found = facts(capsys, folder, "qd-g1-s1-foil", AT)
    old, new = found["stored"]["row"]["mechanical"], found["row"]["mechanical"]
    main(explained(folder, "qd-g1-s1-foil", AT))
    said = " ".join(capsys.readouterr().out.split())

    # k is 4 % smaller, A(T) is of the sheet's own factor but for the expansion that is left
    assert new == pytest.approx(old * 2.08002 / 2.0, rel=0.02)
    assert not found["stored"]["equal"]
    assert found["stored"]["differences"]["mechanical"] == {"now": new, "archive": old}
    assert found["configuration"]["sealed_by_snapshot"] is not None
    assert "DIFFERS The row in the archive says something else" in said
    assert "the configuration was changed since; `spanwarden rebuild` makes the history" in said


@pytest.fixture(scope="module")
def open_station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Replay]:
    """The load test, taken and not sealed; the spool is held as a worker holds it."""
    replay = played(tmp_path_factory.mktemp("open"), "load-test", sealed=False)
    yield replay
    replay.close()


def test_what_is_not_sealed_is_explained_from_the_spool(
    station: Replay, open_station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside the running worker: the same values as after the seal, and it is said."""
    fresh = facts(capsys, open_station.site.folder, "qd-g1-s1-bot", AT)
    sealed = facts(capsys, station.site.folder, "qd-g1-s1-bot", AT)
    main(explained(open_station.site.folder, "qd-g1-s1-bot", AT))
    said = capsys.readouterr().out

    assert fresh["row"] == sealed["row"]
    assert (fresh["raw"]["sealed"], fresh["raw"]["status"]) == (False, "not sealed")
    assert fresh["stored"]["row"] is None
    assert "NOT SEALED YET: in the spool" in said
    assert "the values above are provisional until the seal" in said


def test_a_second_means_the_one_reading_within_it(
    station: Replay, capsys: pytest.CaptureFixture[str]
) -> None:
    """Readings of 09:25:00 are found by that second; one given to the microsecond must fit."""
    exact = datetime.fromtimestamp(AT_US / 1e6, UTC) + timedelta(microseconds=1)
    code = main(explained(station.site.folder, "qd-g1-s1-foil", exact.isoformat()))

    assert code == 1
    assert "The nearest ones are of" in capsys.readouterr().out
