"""
`spanwarden zero`: who may, which windows serve, what is written, and what follows from it.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.blocks import Results, concat_results
from pipeline.cli import main
from pipeline.site.models import Site
from pipeline.site.read import read_site
from pipeline.station.layout import layout_of
from pipeline.store.archive import Archive
from tests.archived import played
from tests.derive.streams import assert_close

pytestmark = pytest.mark.slow

START, END = "2026-06-17T09:02:00Z", "2026-06-17T09:17:00Z"
START_US = round(datetime.fromisoformat(START).timestamp()) * 1_000_000
END_US = round(datetime.fromisoformat(END).timestamp()) * 1_000_000
POINT = "qd-g1-s1-foil"


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the site after the load test."""
    replay = played(tmp_path_factory.mktemp("zeroed"), "load-test")
    folder = Path(replay.site.folder)
    replay.close()
    return folder


@pytest.fixture
def folder(sealed: Path, tmp_path: Path) -> Path:
    """A copy of its own for a test."""
    shutil.copytree(sealed, tmp_path / "site")
    return tmp_path / "site"


def said(folder: Path, *more: str, **changed: str) -> list[str]:
    """Arguments of the command; `changed` replaces options by their name."""
    options = {
        "gauge": "FO14-101",
        "from": START,
        "to": END,
        "strain": "12.5",
        "strain-u": "2",
        "by": "ines-oakhollow",
        "reason": "lorry not there yet",
        **changed,
    }
    named = [part for name, value in options.items() if name != "gauge"
             for part in (f"--{name}", value)]  # fmt: skip
    return ["zero", options["gauge"], "--site", str(folder), *named, *more]


def results(site: Site) -> Results:
    """All of the structure."""
    archive = Archive(layout_of(site, "quill-deck").data, "quill-deck", site.storage.window_h)
    return concat_results(archive.read_results(window) for window in archive.windows("results"))


def rows_at(found: Results, start_us: int, end_us: int, point: str | None = None) -> Results:
    """Of a span of time, of one point or of all."""
    time = found.column("time").astype(np.int64)
    codes, names = found.point_codes()
    mine = np.ones(len(found), bool) if point is None else codes == names.index(point)
    return found.take(mine & (time >= start_us) & (time < end_us))


def test_the_zero_is_written_and_rebuild_brings_the_strain(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line more; after `rebuild --from` as it was told the window's mean is the stated strain,
    and no row before it, nor of another gauge, has changed."""
    old_lines = (folder / "zeros.jsonl").read_bytes()
    before = results(read_site(folder))
    assert main(said(folder)) == 0
    told = capsys.readouterr().out
    line = json.loads((folder / "zeros.jsonl").read_bytes().removeprefix(old_lines))
    assert (
        main(["rebuild", "--site", str(folder), "--structure", "quill-deck", "--from", START]) == 0
    )
    after = results(read_site(folder))
    mean = np.mean(rows_at(after, START_US, END_US, POINT).column("mechanical").astype(float))

    assert mean == pytest.approx(12.5, abs=1e-3)
    assert (line["serial"], line["by"], line["valid_from"]) == ("FO14-101", "ines-oakhollow", START)
    assert line["known_strain_um_m"] == 12.5
    assert f"spanwarden rebuild --site {folder} --structure quill-deck --from {START}" in told
    assert "restart the running station" in told
    assert_close(rows_at(after, 0, START_US), rows_at(before, 0, START_US))
    # What is worked out from several points may be worked out from this one.
    deck = next(s for s in read_site(folder).structures if s.id == "quill-deck")
    for name in (point.id for point in deck.points if point.id != POINT):
        assert_close(rows_at(after, START_US, 2**62, name), rows_at(before, START_US, 2**62, name))


def test_what_changes_is_told_in_strain(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Old and new offset, and by how much strains move: as far as the archive's mean was off."""
    old = rows_at(results(read_site(folder)), START_US, END_US, POINT)
    moved = 12.5 - float(np.mean(old.column("mechanical").astype(float)))
    main(said(folder, "--dry-run"))
    told = " ".join(capsys.readouterr().out.split())

    assert "zero until now -0.0000083 -4.01 2.26 9.0 ines-oakhollow" in told
    assert f"move by about {moved:+.2f} µm/m near 12.5 µm/m; nothing before it changes" in told
    assert "known_strain 2.00" in told
    assert "counts as known exactly" not in told


def test_a_strain_without_an_uncertainty_is_pointed_at(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who says nothing of how well it is known is told what that means."""
    main(said(folder, "--dry-run", "--accept-unsteady", "a few cars", **{"strain-u": "0"}))

    assert "The stated strain counts as known exactly: if it is not, say so with --strain-u." in (
        " ".join(capsys.readouterr().out.split())
    )


def test_a_dry_run_writes_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same figures, and the file as it was."""
    before = (folder / "zeros.jsonl").read_bytes()

    assert main(said(folder, "--dry-run")) == 0
    assert "Nothing was written (--dry-run)." in capsys.readouterr().out
    assert (folder / "zeros.jsonl").read_bytes() == before


@pytest.mark.parametrize(
    ("changed", "messages"),
    [
        (
            {"from": "2026-06-17T09:15:00Z", "to": "2026-06-17T09:50:00Z"},  # the lorry comes
            ("drift over the window", "scatter: found", "Close the structure to traffic"),
        ),
        (
            {"gauge": "PC31-04"},
            ("not settled (warm_up): found 100.0 %; expected 5 % or less.",),
        ),
        (
            {"to": "2026-06-17T09:03:00Z"},
            ("readings: found 6 that can be used; expected 16 or more. Take a longer window",),
        ),
        (
            {"from": "2026-06-17T09:10:00Z", "to": "2026-06-17T23:50:00Z"},
            ("The newest sealed reading of the gauge is of 2026-06-17 11:29:50+01:00",),
        ),
        (
            {"from": "2026-06-20T09:10:00Z", "to": "2026-06-20T10:00:00Z"},
            ('No zero: the archive has no reading of gauge "FO14-101"', "none on these days"),
        ),
    ],
)
def test_a_window_that_may_not_serve_is_refused(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    changed: dict[str, str],
    messages: tuple[str, ...],
) -> None:
    """Exit code 1, what was found, what is allowed, what to do; nothing is written."""
    before = (folder / "zeros.jsonl").read_bytes()
    code = main(said(folder, **changed))
    told = " ".join(capsys.readouterr().out.split())

    assert code == 1
    assert "written to" not in told.lower()
    for message in messages:
        assert message in told
    assert (folder / "zeros.jsonl").read_bytes() == before


def test_an_engineer_may_accept_an_unsteady_window_and_it_stays_known(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What did not hold and why it was taken stand in the zero's reason, for good."""
    why = "beam deck, 1.4 µm/m is nothing to this test"
    window = {"from": "2026-06-17T09:15:00Z", "to": "2026-06-17T09:50:00Z"}
    code = main(said(folder, "--accept-unsteady", why, **window))
    capsys.readouterr()
    zero = read_site(folder).structures[0].zeros[-1]

    assert code == 0
    assert zero.reason.startswith("lorry not there yet [accepted although unsteady (drift over")
    assert zero.reason.endswith(f"{why}]")


def test_nobody_may_accept_a_window_without_readings(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Too few readings are too few, whatever is said, and the option is not offered."""
    before = (folder / "zeros.jsonl").read_bytes()
    code = main(said(folder, "--accept-unsteady", "I am sure", to="2026-06-17T09:03:00Z"))

    assert code == 1
    assert "--accept-unsteady" not in capsys.readouterr().out
    assert (folder / "zeros.jsonl").read_bytes() == before


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"by": "tomas-reedwater"}, '--by: found "tomas-reedwater", whose roles are operator, '
         'viewer; expected the id of a person with the role engineer: "ines-oakhollow"'),
        ({"by": "mallory"}, '--by: found "mallory"; expected the id of a person with the role'),
        ({"gauge": "FO14-1O1"}, 'found "FO14-1O1"; expected a serial of gauges.csv. Did you mean'),
        ({"gauge": "TH5-01"}, 'found "TH5-01", a sensor of wiring linear; expected a strain gauge'),
        ({"reason": " "}, "--reason: found an empty text; expected on what ground the strain is"),
        ({"to": START}, "--to: found a time that is not after --from"),
        ({"from": "2026-04-01T00:00Z"}, "that is not within one placement of \"FO14-101\"; "
         "expected a window within 2026-04-08 11:00:00+01:00 and later (at qd-g1-s1-foil)"),
        ({"gauge": "PC32-03", "to": "2026-07-20T08:00:01Z"}, "2026-07-20 09:00:00+01:00 (at qd-"),
        ({"strain-u": "-1"}, "--strain-u: found -1; expected 0 or more"),
    ],
)  # fmt: skip
def test_what_cannot_be_stated_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], changed: dict[str, str], message: str
) -> None:
    """Exit code 2: the wrong person, gauge, window or number; nothing is written."""
    before = (folder / "zeros.jsonl").read_bytes()
    code = main(said(folder, **changed))

    assert code == 2
    assert message in capsys.readouterr().err
    assert (folder / "zeros.jsonl").read_bytes() == before


def test_a_change_of_calibration_within_the_window_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of the window would be of another curve."""
    sheet = (folder / "calibrations" / "cal-fo14.toml").read_text()
    later = sheet.replace("valid_from = 2026-03-02T09:00:00Z", "valid_from = 2026-06-17T09:10:00Z")
    (folder / "calibrations" / "cal-fo14-later.toml").write_text(later)
    code = main(said(folder))

    assert code == 2
    assert "the calibration or the companion changes, at 2026-06-17 10:10:00+01:00" in (
        capsys.readouterr().err
    )


def test_a_later_zero_stays_in_force(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A zero for an earlier window holds only until the one that was there; that is said."""
    assert main(said(folder)) == 0
    capsys.readouterr()
    earlier: dict[str, Any] = {"from": "2026-06-17T09:00:00Z", "to": "2026-06-17T09:10:00Z"}
    code = main(said(folder, "--dry-run", **earlier))
    told = " ".join(capsys.readouterr().out.split())

    assert code == 0
    assert "until the zero of 2026-06-17 10:02:00+01:00" in told


def test_the_zero_carries_when_it_was_recorded(folder: Path) -> None:
    """The time of the statement, not of the window."""
    asked = datetime.now(UTC).replace(microsecond=0)
    main(said(folder))
    zero = read_site(folder).structures[0].zeros[-1]

    assert asked <= zero.recorded <= datetime.now(UTC)
    assert zero.valid_from == datetime.fromisoformat(START)
