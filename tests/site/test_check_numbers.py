"""
Signs, orders and bounds of numbers: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.telling import Case, messages

CASES = (
    Case(
        "an interval of 0",
        [("channels.csv", "tilt-1,AL-N1,linear,deg,60", "tilt-1,AL-N1,linear,deg,0")],
        [
            (
                'channels.csv, line 7, channel "tilt-1", column "interval_s": found 0; '
                "expected a number above 0. Write a number above 0."
            )
        ],
    ),
    Case(
        "rails in the wrong order",
        [("channels.csv", "-15,15", "15,-15")],
        [
            (
                'channels.csv, line 7, channel "tilt-1", column "rail_low": found rail_low 15 '
                "and rail_high -15; expected rail_low below rail_high. Mend one of the two."
            )
        ],
    ),
    Case(
        "a negative delay",
        [("rules.toml", "on_delay_s = 120.0", "on_delay_s = -120.0")],
        [
            (
                'rules.toml, line 1, rule "mid-level", key "on_delay_s": found -120; expected '
                "a number not below 0. Write 0 or a number above."
            )
        ],
    ),
    Case(
        "a port beyond",
        [("site.toml", "port = 1883", "port = 70000")],
        [
            (
                'site.toml, line 5, [broker], key "port": found 70000; expected 1 to 65535. '
                "Mend the number, and look at its unit."
            )
        ],
    ),
    Case(
        "a negative retention",
        [("site.toml", 'folder = "data"', 'folder = "data"\nkeep_raw_days = -1')],
        [
            (
                'site.toml, line 10, [storage], key "keep_raw_days": found -1; expected a '
                "number not below 0. Write 0 or a number above."
            )
        ],
    ),
    Case(
        "an expansion in 1/K",
        [("site.toml", "expansion_1e6_per_k = 12.0", "expansion_1e6_per_k = 12.0e-6")],
        [
            (
                'site.toml, line 19, structure "alder", key "expansion_1e6_per_k": found '
                "1.2e-05; expected an expansion in 1e-6/K. Write it in 1e-6/K: 12.0 for steel "
                "of 12e-6/K."
            )
        ],
    ),
    Case(
        "a humidity beyond 100",
        [("gauges.csv", "18.5,55", "18.5,550")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained_humidity_rh": found '
                "550; expected 0 to 100. Mend the number, and look at its unit."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
