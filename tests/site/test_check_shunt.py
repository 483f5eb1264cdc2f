"""
Shunt checks: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import Change
from tests.site.telling import Case, messages

FOIL_END = "F26-04,model,,steel-t,,"
SHUNT: tuple[Change, ...] = (
    (
        "gauges.csv",
        "air_temperature_channel\n",
        "air_temperature_channel,shunt_channel,shunt_ohm,shunt_point\n",
    ),
    ("gauges.csv", f"{FOIL_END}\n", f"{FOIL_END},foil-1-shunt,174650,B1-mid-shunt\n"),
    ("channels.csv", "steel-t,AL-N1", "foil-1-shunt,AL-N1,bridge,/,86400,,\nsteel-t,AL-N1"),
    (
        "points.csv",
        "P1-tilt,alder",
        "B1-mid-shunt,alder,B1,,,,,shunt,1,,,0.99,1.01,,\nP1-tilt,alder",
    ),
)
"""The foil gauge is checked once a day with 174 650 Ω across its arm."""

WHERE = 'gauges.csv, line 2, gauge "F-0411", column'

CASES = (
    Case(
        "a shunt without its resistor",
        [*SHUNT, ("gauges.csv", ",foil-1-shunt,174650,", ",foil-1-shunt,,")],
        [
            (
                f'{WHERE} "shunt_ohm": found an empty cell; expected a value beside '
                "shunt_channel. Fill in shunt_channel, shunt_ohm, shunt_point, or leave all of "
                "them empty."
            )
        ],
    ),
    Case(
        "a shunt without its point",
        [
            *SHUNT[:1],
            ("gauges.csv", f"{FOIL_END}\n", f"{FOIL_END},foil-1-shunt,174650,\n"),
            SHUNT[2],
        ],
        [
            (
                f'{WHERE} "shunt_point": found an empty cell; expected a value beside '
                "shunt_channel. Fill in shunt_channel, shunt_ohm, shunt_point, or leave all of "
                "them empty."
            )
        ],
    ),
    Case(
        "a resistor of nothing",
        [*SHUNT, ("gauges.csv", "174650", "0")],
        [(f'{WHERE} "shunt_ohm": found 0; expected a number above 0. Write a number above 0.')],
    ),
    Case(
        "a shunt without the gauge's resistance",
        [*SHUNT, ("gauges.csv", "1.8,350,", ",,")],
        [
            (
                f'{WHERE} "nominal_ohm": found an empty cell beside a shunt; expected the '
                "gauge's resistance in Ohm. Fill it in: what the shunt does to the arm depends "
                "on it."
            )
        ],
    ),
    Case(
        "a shunt channel in Ohm",
        [
            *SHUNT,
            ("channels.csv", "foil-1-shunt,AL-N1,bridge,/", "foil-1-shunt,AL-N1,resistance,Ohm"),
        ],
        [
            (
                f'{WHERE} "shunt_channel": found "foil-1-shunt" of kind resistance; expected '
                "kind bridge, as of the gauge's own channel. Name the channel of the readings "
                "with the shunt, or mend its kind."
            )
        ],
    ),
    Case(
        "a shunt channel that the gauge reads",
        [
            *SHUNT[:1],
            ("gauges.csv", f"{FOIL_END}\n", f"{FOIL_END},foil-1,174650,B1-mid-shunt\n"),
            SHUNT[3],
        ],
        [
            (
                f'{WHERE} "shunt_channel": found "foil-1", which gauge "F-0411" reads; expected '
                "a channel of its own: with the shunt it is no reading of a gauge. Have the "
                "logger send readings with the shunt under another name."
            )
        ],
    ),
    Case(
        "a shunt channel that nobody sends",
        [*SHUNT[:2], SHUNT[3]],
        [
            (
                f'{WHERE} "shunt_channel": found "foil-1-shunt"; expected a channel of a node on '
                'structure "alder". Did you mean "foil-1"?'
            )
        ],
    ),
    Case(
        "a shunt point that is nowhere",
        [*SHUNT[:3]],
        [
            (
                f'{WHERE} "shunt_point": found "B1-mid-shunt"; expected a point of the gauge\'s '
                "structure. Add it to points.csv, with quantity shunt, unit 1 and its gross "
                "range."
            )
        ],
    ),
    Case(
        "a shunt point that measures strain",
        [
            *SHUNT[:1],
            *SHUNT[2:3],
            ("gauges.csv", f"{FOIL_END}\n", f"{FOIL_END},foil-1-shunt,1,B1-mid\n"),
        ],
        [
            (
                f'{WHERE} "shunt_point": found "B1-mid", which measures strain; expected a point '
                "of quantity shunt. Name a point of its own, with quantity shunt and unit 1."
            )
        ],
    ),
    Case(
        "a shunt point without a tolerance",
        [*SHUNT, ("points.csv", "shunt,1,,,0.99,1.01", "shunt,1,,,,1.01")],
        [
            (
                'points.csv, line 5, point "B1-mid-shunt", column "gross_low": found an empty '
                "cell to 1.01; expected a range around 1: the tolerance. Write how far measured "
                "over expected may be from 1, for example 0.99 and 1.01."
            )
        ],
    ),
    Case(
        "a shunt point in percent",
        [*SHUNT, ("points.csv", "shunt,1,,,0.99,1.01", "shunt,%,,,99,101")],
        [
            (
                'points.csv, line 5, point "B1-mid-shunt", column "unit": found "%"; expected "1" '
                "for shunt. Write 1."
            ),
            (
                'points.csv, line 5, point "B1-mid-shunt", column "gross_low": found 99 to 101; '
                "expected a range around 1: the tolerance. Write how far measured over expected "
                "may be from 1, for example 0.99 and 1.01."
            ),
        ],
    ),
    Case(
        "a shunt point of no gauge",
        [SHUNT[3]],
        [
            (
                'points.csv, line 5, point "B1-mid-shunt": found a shunt point of no gauge; '
                "expected the shunt_point of a gauge. Name it in shunt_point of its gauge in "
                "gauges.csv, or take it out."
            )
        ],
    ),
    Case(
        "a shunt of a tilt sensor",
        [
            *SHUNT,
            (
                "gauges.csv",
                "the sensor compensates itself,,,",
                "the sensor compensates itself,,,,,5,",
            ),
        ],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "shunt_channel": found an empty cell; '
                "expected a value beside shunt_ohm. Fill in shunt_channel, shunt_ohm, "
                "shunt_point, or leave all of them empty."
            ),
            (
                'gauges.csv, line 4, gauge "T-0003", column "shunt_point": found an empty cell; '
                "expected a value beside shunt_ohm. Fill in shunt_channel, shunt_ohm, "
                "shunt_point, or leave all of them empty."
            ),
            (
                'gauges.csv, line 4, gauge "T-0003", column "shunt_ohm": found "5.0"; expected no '
                "shunt check with wiring linear. Leave shunt_channel, shunt_ohm, shunt_point "
                "empty."
            ),
        ],
    ),
    Case(
        "two gauges with one shunt point",
        [
            *SHUNT,
            (
                "gauges.csv",
                "steel-t,air-rh,air-t",
                "steel-t,air-rh,air-t,carbon-1-shunt,3e7,B1-mid-shunt",
            ),
            (
                "channels.csv",
                "steel-t,AL-N1",
                "carbon-1-shunt,AL-N1,resistance,Ohm,86400,,\nsteel-t,AL-N1",
            ),
        ],
        [
            (
                f'{WHERE} "shunt_point": found "B1-mid-shunt", where the shunt checks of '
                '"C-0712" go too; expected a point for this gauge alone. Give each gauge a point '
                "for its own check."
            ),
            (
                'gauges.csv, line 3, gauge "C-0712", column "shunt_point": found "B1-mid-shunt", '
                'where the shunt checks of "F-0411" go too; expected a point for this gauge '
                "alone. Give each gauge a point for its own check."
            ),
        ],
    ),
    Case(
        "a gauge at a shunt point",
        [
            *SHUNT,
            ("gauges.csv", "C-0712,C26-07,B1-quarter", "C-0712,C26-07,B1-mid-shunt"),
            ("points.csv", "B1-quarter,alder", "# B1-quarter,alder"),
            ("rules.toml", 'points = ["B1-quarter"]', 'points = ["B1-mid"]'),
        ],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "point": found point "B1-mid-shunt", '
                "which takes the shunt checks of a gauge; expected a point that a gauge measures. "
                "Name the gauge's own point here, and this one in shunt_point."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)


def test_a_complete_shunt_check_is_taken(tmp_path: Path) -> None:
    """Resistor, channel, point and tolerance are there: no message."""
    assert messages(tmp_path, *SHUNT) == []
