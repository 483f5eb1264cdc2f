"""
What nobody watches is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import RULES
from tests.site.telling import Case, messages, section

CASES = (
    Case(
        "no level rule",
        [("rules.toml", section(RULES, "[[rule]]", '[[rule]]\nid = "quiet"'), "")],
        [
            (
                'rules.toml, structure "alder": found no rule of kind level; expected at least '
                "one, to watch for a limit that an engineer set. Add a [[rule]] with kind = "
                '"level" for it.'
            )
        ],
    ),
    Case(
        "no gauge_fault rule",
        [
            (
                "rules.toml",
                section(RULES, '[[rule]]\nid = "gauge-fault"', '[[rule]]\nid = "station-fault"'),
                "",
            )
        ],
        [
            (
                'rules.toml, structure "alder": found no rule of kind gauge_fault; expected at '
                "least one, to watch for a gauge that is broken. Add a [[rule]] with kind = "
                '"gauge_fault" for it.'
            )
        ],
    ),
    Case(
        "a strain point in no silent rule",
        [("rules.toml", 'points = ["*"]\nafter_s', 'points = ["P1-*", "*-mid"]\nafter_s')],
        [
            (
                'points.csv, line 4, point "B1-quarter": found a strain point in no silent '
                "rule; expected one that watches for a gauge that sends nothing. Add "
                '"B1-quarter" to the points of a silent rule in rules.toml.'
            )
        ],
    ),
    Case(
        "a point without a gauge",
        [("points.csv", "P1-tilt,alder", "P2-tilt,alder,P2,,,,,tilt,mm/m,,,,,,\nP1-tilt,alder")],
        [
            (
                'points.csv, line 5, point "P2-tilt": found a point without any gauge; '
                "expected a gauge, since without one a rule on this point can never alarm. Add "
                "its row to gauges.csv, or make this row a comment with # until then."
            )
        ],
    ),
    Case(
        "a structure with nothing on it",
        [
            (
                "site.toml",
                "[[node]]",
                '[[structure]]\nid = "birch"\nname = "Birch"\nmaterial = "timber"\n'
                "expansion_1e6_per_k = 5.0\n\n[[node]]",
            )
        ],
        [
            (
                'rules.toml, structure "birch": found no rule of kind level; expected at least '
                "one, to watch for a limit that an engineer set. Add a [[rule]] with kind = "
                '"level" for it.'
            ),
            (
                'rules.toml, structure "birch": found no rule of kind silent; expected at '
                "least one, to watch for a gauge that sends nothing. Add a [[rule]] with kind "
                '= "silent" for it.'
            ),
            (
                'rules.toml, structure "birch": found no rule of kind gauge_fault; expected at '
                "least one, to watch for a gauge that is broken. Add a [[rule]] with kind = "
                '"gauge_fault" for it.'
            ),
            (
                'rules.toml, structure "birch": found no rule of kind station; expected at '
                "least one, to watch for a fault of the station itself. Add a [[rule]] with "
                'kind = "station" for it.'
            ),
            (
                'site.toml, line 25, structure "birch": found no node; expected at least one '
                "node. Add one, or take the structure out of site.toml."
            ),
            (
                'site.toml, line 25, structure "birch": found no channel; expected at least '
                "one channel. Add one, or take the structure out of site.toml."
            ),
            (
                'site.toml, line 25, structure "birch": found no point; expected at least one '
                "point. Add one, or take the structure out of site.toml."
            ),
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
