"""
CSV tables as spreadsheets save them, and what is wrong in them, with the line.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.site.read import read_site
from tests.site.examples import CHANNELS, GAUGES, POINTS, Change, write_example_site
from tests.site.telling import Case, messages, messages_of

CASES = (
    Case(
        "an unknown column",
        [("channels.csv", "rail_high", "rail_hihg")],
        ['channels.csv, line 1, column "rail_hihg": found an unknown column; expected a known '
         'column. Did you mean "rail_high"?'],
    ),
    Case(
        "a column twice",
        [("channels.csv", "rail_high", "rail_low")],
        ['channels.csv, line 1, column "rail_low": found the column 2 times; expected it once. '
         "Keep one of them."],
    ),
    Case(
        "a column without a name",
        [("channels.csv", "rail_low,rail_high", "rail_low,rail_high,"),
         ("channels.csv", "-15,15", "-15,15,x")],
        ["channels.csv, line 1: found a column without a name; expected a name above every cell. "
         "Name or remove it."],
    ),
    Case(
        "a required column missing",
        [("channels.csv", "id,node,kind", "id,kind"), ("channels.csv", ",AL-N1,", ",")],
        ['channels.csv, line 1: found no column "node"; expected a column "node". Add it. Columns '
         'found: "id", "interval_s", "kind", "rail_high", "rail_low", "unit".'],
    ),
    Case(
        "a cell too many",
        [("channels.csv", "-15,15", "-15,15,0")],
        ['channels.csv, line 7, channel "tilt-1": found 8 cells; expected 7 cells, as in the '
         "header. A cell that holds the delimiter stands in quotes; a decimal sign is a point."],
    ),
    Case(
        "a quote that does not end",
        [("channels.csv", "tilt-1,AL-N1", '"tilt-1,AL-N1')],
        ["channels.csv, line 7: found a row that cannot be read (unexpected end of data); "
         'expected a row of CSV. Mend the quotes of that line: a " inside a cell is written '
         "twice."],
    ),
    *(
        Case(
            f"{cell} for a number",
            [("channels.csv", "-15,15", f"{quoted},15")],
            [f'channels.csv, line 7, channel "tilt-1", column "rail_low": found "{cell}"; '
             f"expected {expected}"],
        )
        for cell, quoted, expected in (
            ("nan", "nan", "a number. Write a plain number with a decimal point, without a unit."),
            ("-inf", "-inf",
             "a number. Write a plain number with a decimal point, without a unit."),
            ("-15 deg", "-15 deg",
             "a number. Write a plain number with a decimal point, without a unit."),
            ("-1_5", "-1_5",
             "a number. Write a plain number with a decimal point, without a unit."),
            ("-1e999", "-1e999",
             "a finite number. Write a number, or leave the cell empty for none."),
            ("-15,5", '"-15,5"',
             "a number with a decimal point. Write it with a point, no separators."),
        )
    ),
    Case(
        "neither yes nor no",
        [("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,free\n"),
         ("gauges.csv", "air-rh,air-t\n", "air-rh,air-t,maybe\n")],
        ['gauges.csv, line 3, gauge "C-0712", column "free": found "maybe"; expected yes or no. '
         "Write yes or no, or leave the cell empty for no."],
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_mistake_of_form_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages, with the line as an editor counts it."""
    found = messages(tmp_path, *case.changes)

    assert found == list(case.told)


def _as_spreadsheet(text: str) -> str:
    rows = [line.replace(",", ";") for line in text.splitlines()]
    width = rows[1].count(";")
    padded = [row + ";" * (width - row.count(";")) for row in rows]
    return "\ufeff" + "\r\n".join(padded) + "\r\n"


def test_spreadsheet_files_give_the_same_site_as_plain_ones(tmp_path: Path) -> None:
    """Byte order mark, CRLF, semicolons and padded comments change nothing but the hash."""
    plain = read_site(write_example_site(tmp_path / "plain"))
    extra = {
        name: _as_spreadsheet(text)
        for name, text in (
            ("points.csv", POINTS),
            ("channels.csv", CHANNELS),
            ("gauges.csv", GAUGES),
        )
    }

    saved = read_site(write_example_site(tmp_path / "saved", extra=extra))

    assert saved.structures == plain.structures
    assert saved.sha256 != plain.sha256


def test_rows_of_comments_and_blanks_are_passed_over_with_lines_counted(tmp_path: Path) -> None:
    """A quote in a comment swallows nothing, and the line told is the editor's."""
    changes: list[Change] = [
        (
            "channels.csv",
            "air-t,AL-N1",
            '# 5" pipe, and "more\n\n,,,,,,\n"# quoted, too",,,,,,\nair-t,AL-N1',
        ),
        ("channels.csv", "tilt-1,AL-N1,linear,deg", "tilt-1,AL-N1,linear,degr"),
    ]

    (told,) = messages(tmp_path, *changes)

    assert told.startswith('channels.csv, line 11, channel "tilt-1", column "unit": found "degr"')


def test_quoted_cell_may_span_lines(tmp_path: Path) -> None:
    """A line end inside a quoted cell is part of the cell; the row's first line is told."""
    changes: list[Change] = [
        ("points.csv", "6.0,0.0,-0.3,along the beam", '6.0,0.0,-0.3,"along\n# the beam"'),
        ("points.csv", "tilt,mm/m", "tilt,"),
    ]

    (told, *_) = messages(tmp_path, *changes)

    assert told.startswith('points.csv, line 6, point "P1-tilt", column "unit"')


def test_text_that_is_not_utf8_is_told_with_its_line(tmp_path: Path) -> None:
    """A table saved in an old code page is refused, not read with other signs."""
    write_example_site(tmp_path)
    (tmp_path / "points.csv").write_bytes(POINTS.encode("latin-1"))

    (told,) = messages_of(tmp_path)

    assert told == (
        "points.csv, line 3: found byte 0xb5, which is not UTF-8; expected text in UTF-8. Save "
        "the file as UTF-8; in a spreadsheet choose CSV UTF-8."
    )
