"""
Channels, wiring and electrical figures: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL
from tests.site.telling import Case, messages, section

CASES = (
    Case(
        "an unknown wiring",
        [("gauges.csv", "quarter_3wire", "quarter_4wire")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "wiring": found "quarter_4wire"; '
                'expected "quarter_2wire", "quarter_3wire", "half_bending", "half_poisson", '
                '"full_bending", "full_poisson_bending", "full_poisson_axial", '
                '"resistance_4wire", "resistance_2wire", "divider", "impedance" or "linear". Did '
                'you mean "quarter_3wire"?'
            )
        ],
    ),
    Case(
        "a bridge channel in V",
        [("channels.csv", "bridge,/", "bridge,V")],
        [
            (
                'channels.csv, line 2, channel "foil-1", column "unit": found "V"; expected '
                '"/" for kind bridge. Write /; what a node sends in another unit is converted '
                "or refused."
            )
        ],
    ),
    Case(
        "a linear channel in an unknown unit",
        [("channels.csv", "linear,deg", "linear,degree")],
        [
            (
                'channels.csv, line 7, channel "tilt-1", column "unit": found "degree"; '
                "expected a unit of the SenML registry that the chain knows. Did you mean "
                '"deg"?'
            )
        ],
    ),
    Case(
        "a bridge wiring on a resistance channel",
        [("gauges.csv", ",carbon-1,resistance_4wire,301240", ",carbon-1,quarter_2wire,0.0001")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "channel": found "carbon-1" of '
                "kind resistance with wiring quarter_2wire; expected a channel of kind bridge. "
                "Mend the wiring here, or the kind and unit in channels.csv."
            )
        ],
    ),
    Case(
        "temperature from a humidity channel",
        [("gauges.csv", "steel-t,,\n", "air-rh,,\n")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "temperature_channel": found '
                '"air-rh" of kind humidity; expected a channel of kind temperature. Name '
                "another channel, or mend its kind in channels.csv."
            )
        ],
    ),
    Case(
        "climate shorter lived than its interval",
        [
            (
                "channels.csv",
                "steel-t,AL-N1,temperature,Cel,60",
                "steel-t,AL-N1,temperature,Cel,1800",
            )
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "climate_age_s": found 900 s, but '
                '"steel-t" comes every 1800 s; expected an age above the interval. Make it at '
                "least twice the interval, or readings go uncompensated."
            ),
            (
                'gauges.csv, line 3, gauge "C-0712", column "climate_age_s": found 900 s, but '
                '"steel-t" comes every 1800 s; expected an age above the interval. Make it at '
                "least twice the interval, or readings go uncompensated."
            ),
        ],
    ),
    Case(
        "a strain point in another unit",
        [
            (
                "points.csv",
                "strain,µm/m,mechanical,210,-3000,3000,,",
                "strain,mm/m,mechanical,210,-3,3,,",
            ),
            (
                "rules.toml",
                'high = 350.0\nlow = -350.0\nunit = "µm/m"\ndeadband = 20.0',
                'high = 0.35\nlow = -0.35\nunit = "mm/m"',
            ),
        ],
        [
            (
                'points.csv, line 3, point "B1-mid", column "unit": found "mm/m"; expected '
                '"µm/m" for strain. Write µm/m.'
            )
        ],
    ),
    Case(
        "a tilt point without its unit",
        [("points.csv", "tilt,mm/m", "tilt,"), ("rules.toml", '"mm/m"', '"µm/m"')],
        [
            (
                'points.csv, line 5, point "P1-tilt", column "unit": found "µm/m" for quantity '
                "tilt; expected its own unit. Write the unit of tilt that people read, for "
                "example mm/m."
            )
        ],
    ),
    Case(
        "a linear sensor at a strain point",
        [
            ("points.csv", "tilt,mm/m,,,-50", "strain,µm/m,,,-50"),
            ("rules.toml", '"mm/m"', '"µm/m"'),
        ],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "wiring": found linear at point '
                '"P1-tilt", which measures strain; expected a bridge or resistance wiring for '
                "strain, linear for all else. Mend the wiring here or the quantity in "
                "points.csv."
            )
        ],
    ),
    Case(
        "a humidity point on a linear channel",
        [("points.csv", "tilt,mm/m", "humidity,%RH"), ("rules.toml", '"mm/m"', '"%RH"')],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "channel": found "tilt-1" of kind '
                "linear for humidity; expected a channel for humidity. Name a channel of that "
                "quantity, or mend the quantity in points.csv."
            )
        ],
    ),
    Case(
        "no unstrained value",
        [("gauges.csv", "0.000132,", ",")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "unstrained": found an empty cell; '
                "expected the unstrained value. Fill in what the instrument showed at "
                "commissioning (0 if a sensor has none)."
            )
        ],
    ),
    Case(
        "a resistance of 0",
        [("gauges.csv", "301240,3", "0,3")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained": found 0 Ohm; '
                "expected a resistance above 0. Write the resistance in Ohm."
            )
        ],
    ),
    Case(
        "a bridge in mV/V",
        [("gauges.csv", "0.000132,", "0.732,")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "unstrained": found 0.732 V/V; '
                "expected an output ratio between -0.5 and 0.5 V/V. Write the ratio in V/V: "
                "0.132 mV/V is 0.000132."
            )
        ],
    ),
    Case(
        "a Poisson wiring without its ratio",
        [
            (
                "gauges.csv",
                "quarter_3wire,0.000132,0.0000005,18.5,,1.8,350,F26-04,model,,",
                "half_poisson,0.000132,0.0000005,18.5,,,,F26-04,none,common to the arms,",
            ),
            ("calibrations/foil.toml", section(FOIL, "[temperature]"), ""),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "poisson": found an empty cell; '
                "expected Poisson's ratio for wiring half_poisson. Fill in Poisson's ratio of "
                "the structure's material, for example 0.30."
            )
        ],
    ),
    Case(
        "leads longer than the gauge",
        [
            (
                "gauges.csv",
                "resistance_4wire,301240,3,18.5,55,,",
                "resistance_2wire,301240,3,18.5,55,150620,",
            )
        ],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained": found 301240 Ohm '
                "with leads of 150620 Ohm each; expected more than both leads. Write what the "
                "meter showed, leads included."
            )
        ],
    ),
    Case(
        "a leakage below the gauge",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,leakage_ohm\n"),
            ("gauges.csv", "air-rh,air-t", "air-rh,air-t,100"),
        ],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "leakage_ohm": found 100 Ohm '
                "beside unstrained 301240 Ohm; expected more than the gauge shows. Look at its "
                "unit: 100 MOhm is 1e8."
            )
        ],
    ),
    Case(
        "a Poisson's ratio in percent",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,poisson\n"),
            (
                "gauges.csv",
                "quarter_3wire,0.000132,0.0000005,18.5,,1.8,350,F26-04,model,,steel-t,,",
                "half_poisson,0.000132,0.0000005,18.5,,,,F26-04,none,common to the arms,,,,30",
            ),
            ("calibrations/foil.toml", section(FOIL, "[temperature]"), ""),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "poisson": found 30; expected a '
                "ratio between 0 and 0.5. Write it as a ratio, for example 0.30."
            )
        ],
    ),
    Case(
        "a Poisson's ratio for a quarter bridge",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,poisson\n"),
            ("gauges.csv", ",model,,steel-t,,\n", ",model,,steel-t,,,0.3\n"),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "poisson": found 0.3; expected an '
                "empty cell with wiring quarter_3wire. Leave it empty, or mend the wiring."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
