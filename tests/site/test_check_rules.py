"""
Rules: every mistake in them is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.telling import Case, messages

CASES = (
    Case(
        "no basis",
        [("rules.toml", 'basis = "survey AL-S2, I. Okoro, 2026-02-24"', 'basis = ""')],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "basis": found an empty text; '
                "expected who set it and on what ground. An engineer writes it; without it "
                "nobody can judge the alarm."
            )
        ],
    ),
    Case(
        "tells nobody",
        [("rules.toml", '["ines", "tomas"]', "[]")],
        [
            (
                'rules.toml, line 1, rule "mid-level", key "tell": found nobody; expected at '
                'least one person to tell. Write at least one person, for example tell = ["…"].'
            ),
            (
                'rules.toml, line 20, rule "quarter-level", key "tell": found nobody; expected '
                "at least one person to tell. Write at least one person, for example tell = "
                '["…"].'
            ),
            (
                'rules.toml, line 36, rule "tilt-level", key "tell": found nobody; expected at '
                'least one person to tell. Write at least one person, for example tell = ["…"].'
            ),
            (
                'rules.toml, line 54, rule "quiet", key "tell": found nobody; expected at '
                'least one person to tell. Write at least one person, for example tell = ["…"].'
            ),
            (
                'rules.toml, line 68, rule "gauge-fault", key "tell": found nobody; expected '
                "at least one person to tell. Write at least one person, for example tell = "
                '["…"].'
            ),
            (
                'rules.toml, line 82, rule "station-fault", key "tell": found nobody; expected '
                "at least one person to tell. Write at least one person, for example tell = "
                '["…"].'
            ),
        ],
    ),
    Case(
        "plain without reason",
        [
            (
                "rules.toml",
                "compare_reason = \"the sensor's uncertainty is 1 % of the limit; "
                'I. Okoro, 2026-02-24"\n',
                "",
            )
        ],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "compare_reason": found an empty '
                "text; expected the engineer's reason for compare = plain. Write it, or take "
                'compare = "plain" out: guarded is the default.'
            )
        ],
    ),
    Case(
        "no limit",
        [("rules.toml", "high = 280.0\n", "")],
        [
            (
                'rules.toml, line 20, rule "quarter-level", key "high": found neither high nor '
                "low; expected a limit. Write high, low or both; there are no built-in limits."
            )
        ],
    ),
    Case(
        "high below low",
        [("rules.toml", "high = 4.0", "high = -5.0")],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "high": found high -5 and low -4; '
                "expected high above low. Mend one of the two."
            )
        ],
    ),
    Case(
        "a deadband wider than the span",
        [("rules.toml", "deadband = 20.0", "deadband = 700.0")],
        [
            (
                'rules.toml, line 1, rule "mid-level", key "deadband": found 700; expected '
                "less than high - low, 700. Make it smaller: with this one the alarm could "
                "never return to normal."
            )
        ],
    ),
    Case(
        "a limit in a silent rule",
        [("rules.toml", "after_s = 600.0", "after_s = 600.0\nhigh = 5.0")],
        [
            (
                'rules.toml, line 54, rule "quiet", key "high": found 5.0; expected no high '
                'for kind silent. Take it out, or write kind = "level".'
            )
        ],
    ),
    Case(
        "a pattern that matches nothing",
        [("rules.toml", '["*-tilt"]', '["*-tlit"]')],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "points": found "*-tlit"; '
                'expected a pattern that matches a point of "alder". Did you mean "P1-tilt"?'
            )
        ],
    ),
    Case(
        "no pattern",
        [("rules.toml", '["*-tilt"]', "[]")],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "points": found an empty list; '
                "expected at least one pattern. Write ids or patterns, or leave the key out "
                'for all points: ["*"].'
            )
        ],
    ),
    Case(
        "another unit than the points",
        [("rules.toml", 'unit = "mm/m"', 'unit = "deg"')],
        [
            (
                'rules.toml, line 36, rule "tilt-level", key "unit": found "deg"; expected '
                '"mm/m", the unit of point "P1-tilt". Write the limit in the points\' unit; '
                "split the rule where units differ."
            )
        ],
    ),
    Case(
        "high beyond the calibrated range",
        [("rules.toml", "high = 280.0", "high = 2000.0")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712": found calibration "C26-07" ends at 1400 '
                'µm/m, rule "quarter-level" watches to 2000; expected a limit inside the '
                "calibrated range. Calibrate further or set the limit to 1400 or less."
            )
        ],
    ),
    Case(
        "low beyond the calibrated range",
        [("rules.toml", "low = -350.0", "low = -2500.0")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411": found calibration "F26-04" begins at '
                '-2000 µm/m, rule "mid-level" watches to -2500; expected a limit inside the '
                "calibrated range. Calibrate further or set the limit to -2000 or more."
            )
        ],
    ),
    Case(
        "a silent rule without a time",
        [("rules.toml", "after_s = 600.0\n", "")],
        [
            (
                'rules.toml, line 54, rule "quiet", key "after_s": found no such key; expected '
                "a value for kind silent. Write after how many seconds without a reading "
                "somebody is told."
            )
        ],
    ),
    Case(
        "after_s in a level",
        [("rules.toml", "high = 280.0", "high = 280.0\nafter_s = 60.0")],
        [
            (
                'rules.toml, line 20, rule "quarter-level", key "after_s": found 60; expected '
                'no after_s for kind level. Take it out, or write kind = "silent".'
            )
        ],
    ),
    Case(
        "a silence under two intervals",
        [("rules.toml", "after_s = 600.0", "after_s = 119.0")],
        [
            (
                'rules.toml, line 54, rule "quiet", key "after_s": found 119 s, but channel '
                '"tilt-1" comes every 60 s; expected at least 120 s, two intervals. Write 120 '
                "or more."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
