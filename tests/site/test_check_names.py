"""
Ids and references: every mistake in them is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL_ROW
from tests.site.telling import Case, messages

CASES = (
    Case(
        "an id with a blank",
        [("rules.toml", '"mid-level"', '"mid level"')],
        [
            (
                'rules.toml, line 1, rule "mid level", key "id": found "mid level"; expected '
                "at most 64 of A-Z a-z 0-9 _ -, beginning with a letter or digit. Rename it "
                "here and wherever it is referred to, for example mid-level."
            )
        ],
    ),
    Case(
        "a point id twice",
        [
            ("points.csv", "B1-quarter,alder", "B1-mid,alder"),
            ("gauges.csv", "B1-quarter", "B1-mid"),
            ("gauges.csv", FOIL_ROW, ""),
            ("rules.toml", '"B1-quarter"', '"B1-mid"'),
        ],
        [
            (
                'points.csv, line 4, point "B1-mid", column "id": found an id that line 3, '
                'point "B1-mid" has already; expected an id that stands once. Rename one of '
                "the two."
            )
        ],
    ),
    Case(
        "a channel id twice on a structure",
        [
            (
                "channels.csv",
                "air-t,AL-N1,temperature,Cel,60,-40,85\n",
                "air-t,AL-N1,temperature,Cel,60,-40,85\nair-t,AL-N1,temperature,Cel,60,-40,85\n",
            )
        ],
        [
            (
                'channels.csv, line 6, channel "air-t", column "id": found an id that line 5, '
                'channel "air-t" has already; expected an id that stands once. Rename one of '
                "the two."
            )
        ],
    ),
    Case(
        "a rule id twice",
        [("rules.toml", 'id = "tilt-level"', 'id = "mid-level"')],
        [
            (
                'rules.toml, line 36, rule "mid-level", key "id": found an id that line 1, '
                'rule "mid-level" has already; expected an id that stands once. Rename one of '
                "the two."
            )
        ],
    ),
    Case(
        "a person id twice",
        [("site.toml", 'id = "tomas"', 'id = "ines"'), ("rules.toml", ', "tomas"', "")],
        [
            (
                'site.toml, line 37, person "ines", key "id": found an id that line 30, person '
                '"ines" has already; expected an id that stands once. Rename one of the two.'
            )
        ],
    ),
    Case(
        "a node of an unknown structure",
        [("site.toml", 'structure = "alder"\ndescription', 'structure = "adler"\ndescription')],
        [
            (
                'site.toml, line 25, node "AL-N1", key "structure": found "adler"; expected '
                'the id of a structure. Did you mean "alder"?'
            )
        ],
    ),
    Case(
        "a point of an unknown structure",
        [("points.csv", "P1-tilt,alder", "P1-tilt,oak")],
        [
            (
                'points.csv, line 5, point "P1-tilt", column "structure": found "oak"; '
                'expected the id of a structure. Known: "alder".'
            )
        ],
    ),
    Case(
        "a channel of an unknown node",
        [("channels.csv", "tilt-1,AL-N1", "tilt-1,AL-N2")],
        [
            (
                'channels.csv, line 7, channel "tilt-1", column "node": found "AL-N2"; '
                'expected the id of a node. Did you mean "AL-N1"?'
            )
        ],
    ),
    Case(
        "a gauge at an unknown point",
        [("gauges.csv", "T26-01,P1-tilt", "T26-01,P1-tlit")],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "point": found "P1-tlit"; expected '
                'the id of a point. Did you mean "P1-tilt"?'
            ),
            (
                'points.csv, line 5, point "P1-tilt": found a point without any gauge; '
                "expected a gauge, since without one a rule on this point can never alarm. Add "
                "its row to gauges.csv, or make this row a comment with # until then."
            ),
        ],
    ),
    Case(
        "a gauge with an unknown calibration",
        [("gauges.csv", ",F26-04,model", ",F26-05,model")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-05"; '
                'expected the id of a calibration. Did you mean "F26-04"?'
            )
        ],
    ),
    Case(
        "a gauge on an unknown channel",
        [("gauges.csv", ",foil-1,", ",foil-7,")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "channel": found "foil-7"; '
                'expected a channel of a node on structure "alder". Did you mean "foil-1"?'
            )
        ],
    ),
    Case(
        "an unknown humidity channel",
        [("gauges.csv", ",air-rh,", ",air-hr,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "humidity_channel": found '
                '"air-hr"; expected a channel of a node on structure "alder". Did you mean '
                '"air-rh"?'
            )
        ],
    ),
    Case(
        "a rule that tells an unknown person",
        [("rules.toml", '["ines", "tomas"]', '["ines", "thomas"]')],
        [
            (
                'rules.toml, line 1, rule "mid-level", key "tell": found "thomas"; expected '
                'the id of a person. Did you mean "tomas"?'
            ),
            (
                'rules.toml, line 20, rule "quarter-level", key "tell": found "thomas"; '
                'expected the id of a person. Did you mean "tomas"?'
            ),
            (
                'rules.toml, line 36, rule "tilt-level", key "tell": found "thomas"; expected '
                'the id of a person. Did you mean "tomas"?'
            ),
            (
                'rules.toml, line 54, rule "quiet", key "tell": found "thomas"; expected the '
                'id of a person. Did you mean "tomas"?'
            ),
            (
                'rules.toml, line 68, rule "gauge-fault", key "tell": found "thomas"; expected '
                'the id of a person. Did you mean "tomas"?'
            ),
            (
                'rules.toml, line 82, rule "station-fault", key "tell": found "thomas"; '
                'expected the id of a person. Did you mean "tomas"?'
            ),
        ],
    ),
    Case(
        "a rule on an unknown structure",
        [
            (
                "rules.toml",
                'kind = "station"\nstructure = "alder"',
                'kind = "station"\nstructure = "alde"',
            )
        ],
        [
            (
                'rules.toml, line 82, rule "station-fault", key "structure": found "alde"; '
                'expected the id of a structure. Did you mean "alder"?'
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
