"""
What a model refuses is told as a person can mend it, in TOML as in CSV.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.telling import Case, messages

_TIME = "a time with its zone, for example 2026-03-02T09:30:00Z"
_ZONE = f"expected {_TIME}. Write date, time and zone, with Z for UTC."
_RULE = 'rules.toml, line 20, rule "quarter-level", '
_FOIL = 'calibrations/foil.toml, calibration "F26-04", '

CASES = (
    Case(
        "a key that is near a known one",
        [("rules.toml", "latching = true", "latchnig = true")],
        [f'{_RULE}key "latchnig": found an unknown key; expected a known key. Did you mean '
         '"latching"?'],
    ),
    Case(
        "a key in a table within a table",
        [("calibrations/foil.toml", "output_u = 0.1", "outputs_u = 0.1")],
        [f'{_FOIL}key "temperature.outputs_u": found an unknown key; expected a known key. Did '
         'you mean "output_u"?'],
    ),
    Case(
        "a table that nobody reads",
        [("site.toml", "[storage]", "[storrage]")],
        ['site.toml, line 10, key "storrage": found an unknown key; expected a known key. Did you '
         'mean "storage"?',
         "site.toml: found no table [storage]; expected a table [storage]. Add [storage]; an "
         "example site is in config/."],
    ),
    Case(
        "text for a number",
        [("rules.toml", "high = 280.0", 'high = "280"')],
        [f'{_RULE}key "high": found "280"; expected a number. Write a plain number, without '
         "quotes and without a unit."],
    ),
    Case(
        "a truth for a number",
        [("rules.toml", "high = 280.0", "high = true")],
        [f'{_RULE}key "high": found true; expected a number. Write a plain number, without quotes '
         "and without a unit."],
    ),
    *(
        Case(
            f"{text} for a number",
            [("rules.toml", "high = 280.0", f"high = {text}")],
            [f'{_RULE}key "high": found {shown}; expected a finite number. Write a number; leave '
             "the key out for no value."],
        )
        for text, shown in (("nan", "nan"), ("inf", "inf"), ("-inf", "-inf"), ("1e999", "inf"))
    ),
    Case(
        "a fraction for a whole number",
        [("site.toml", "port = 1883", "port = 1883.5")],
        ['site.toml, line 5, [broker], key "port": found 1883.5; expected a whole number. Write a '
         "number without a decimal point or quotes."],
    ),
    Case(
        "a number for text",
        [("site.toml", 'name = "Alder footbridge"', "name = 7")],
        ['site.toml, line 19, structure "alder", key "name": found 7; expected text. Write it in '
         "quotes."],
    ),
    Case(
        "text for a list",
        [("rules.toml", 'points = ["B1-quarter"]', 'points = "B1-quarter"')],
        [f'{_RULE}key "points": found "B1-quarter"; expected a list. Write the values in square '
         "brackets, for example [1.0, 2.0]."],
    ),
    Case(
        "one end of a range",
        [("calibrations/foil.toml", "[-2000.0, 2000.0]", "[2000.0]")],
        [f'{_FOIL}key "curve.range_um_m": found 1 value; expected two values in square brackets. '
         "Write all numbers, for example range_um_m = [-1000.0, 1000.0]."],
    ),
    Case(
        "a number in a list",
        [("calibrations/carbon.toml", "[20.0, -1500.0,", '[20.0, "x",')],
        ['calibrations/carbon.toml, calibration "C26-07", key "curve.coefficients": found "x" as '
         "value 2; expected a number. Write a plain number, without quotes and without a unit."],
    ),
    Case(
        "a word that is no choice",
        [("rules.toml", 'priority = "critical"', 'priority = "hihg"')],
        [f'{_RULE}key "priority": found "hihg"; expected "low", "medium", "high" or "critical". '
         'Did you mean "high"?'],
    ),
    Case(
        "a missing key",
        [("rules.toml", 'priority = "critical"\n', "")],
        [f'{_RULE}key "priority": found no such key; expected a value for priority. Fill in '
         "priority."],
    ),
    Case(
        "one table where several may stand",
        [("rules.toml", '[[rule]]\nid = "mid-level"', '[rule]\nid = "mid-level"'),
         ("rules.toml", "[[rule]]", "[[other]]")],
        ['rules.toml, line 20, key "other": found an unknown key; expected a known key. Known: '
         '"rule".',
         'rules.toml, key "rule": found one table; expected tables [[rule]]. Write [[rule]] with '
         "two brackets on each side, once for each rule."],
    ),
    Case(
        "several tables where one may stand",
        [("site.toml", "[storage]", "[[storage]]")],
        ["site.toml, [storage]: found a list; expected one table [storage]. Write it as one table: "
         "[storage] with a line for each key below it."],
    ),
    Case(
        "a list of numbers where tables may stand",
        [("rules.toml", "[[rule]]", "[[other]]"),
         ("rules.toml", '[[other]]\nid = "mid-level"', 'rule = 7\n[[other]]\nid = "mid-level"')],
        ['rules.toml, line 2, key "other": found an unknown key; expected a known key. Known: '
         '"rule".',
         'rules.toml, key "rule": found a bare value; expected tables [[rule]]. Write [[rule]] '
         "with two brackets on each side, once for each rule."],
    ),
    Case(
        "a table and a list for a number",
        [("rules.toml", "high = 280.0", "high = {a = 1}\nlow = [1.0]")],
        [f'{_RULE}key "high": found a table; expected a number. Write a plain number, without '
         "quotes and without a unit.",
         f'{_RULE}key "low": found a list; expected a number. Write a plain number, without '
         "quotes and without a unit."],
    ),
    Case(
        "a number for the name of a secret",
        [("site.toml", "port = 1883", 'port = 1883\nusername = "a"\npassword_env = 123456')],
        ['site.toml, line 5, [broker], key "password_env": found a value (not shown); expected '
         "text. Write it in quotes."],
    ),
    Case(
        "a date for a time in CSV",
        [("gauges.csv", "2026-03-02T09:30:00Z", "2026-03-02")],
        ['gauges.csv, line 2, gauge "F-0411", column "valid_from": found "2026-03-02", which has '
         f"no time of day; {_ZONE}"],
    ),
    Case(
        "a time without zone in TOML",
        [("calibrations/foil.toml", "2026-02-10T00:00:00Z", "2026-02-10T00:00:00")],
        [f'{_FOIL}key "valid_from": found 2026-02-10T00:00:00, which has no zone; {_ZONE}'],
    ),
    Case(
        "a date for a time in TOML",
        [("calibrations/foil.toml", "2026-02-10T00:00:00Z", "2026-02-10")],
        [f'{_FOIL}key "valid_from": found 2026-02-10, which has no time of day; {_ZONE}'],
    ),
    Case(
        "seconds since 1970 as text",
        [("calibrations/foil.toml", "2026-02-10T00:00:00Z", '"1767225600"')],
        [f'{_FOIL}key "valid_from": found "1767225600"; {_ZONE}'],
    ),
    Case(
        "seconds since 1970",
        [("calibrations/foil.toml", "2026-02-10T00:00:00Z", "1767225600")],
        [f'{_FOIL}key "valid_from": found 1767225600; expected {_TIME}. Write date, time and '
         "zone without quotes."],
    ),
    Case(
        "a time without zone in CSV",
        [("gauges.csv", "2026-03-02T09:30:00Z", "2026-03-02T09:30:00")],
        ['gauges.csv, line 2, gauge "F-0411", column "valid_from": found "2026-03-02T09:30:00", '
         f"which has no zone; {_ZONE}"],
    ),
    Case(
        "an empty cell that must be filled",
        [("gauges.csv", "F-0411,F26-04,B1-mid", "F-0411,,B1-mid")],
        ['gauges.csv, line 2, gauge "F-0411", column "batch": found an empty cell; expected a '
         "value for batch. Fill in batch."],
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_refused_value_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages, with key or column, found, expected, remedy."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("high = 350.0", "high = 350.0 µm/m", "line 6, column 14: found a syntax error: "),
        ("high = 350.0", "high = 350.0\nhigh = 1.0", "line 7, column 11: found a syntax error: "),
        ('id = "mid-level"', 'id = "mid-level', "line 2, column 16: found a syntax error: "),
    ],
)
def test_syntax_error_is_told_with_its_line(
    old: str, new: str, message: str, tmp_path: Path
) -> None:
    """A TOML file that cannot be parsed says where, and nothing else is blamed for it."""
    (told,) = messages(tmp_path, ("rules.toml", old, new))

    assert told.startswith(f"rules.toml, {message}")
    assert told.endswith(
        '; expected valid TOML. Mend that line: text stands in "quotes", numbers have no unit, '
        "keys come once."
    )


def test_greek_mu_is_taken_for_micro_when_a_unit_is_typed_so(tmp_path: Path) -> None:
    """The two signs look the same on every screen: neither is a mistake, in CSV or TOML."""
    changes = [("points.csv", "µm/m", "\u03bcm/m"), ("rules.toml", '"µm/m"', '"\u03bcm/m"')]

    assert messages(tmp_path, *[(f, o, n) for f, o, n in changes]) == []
