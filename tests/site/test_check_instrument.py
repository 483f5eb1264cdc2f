"""
Leads, leakage, input resistance, dividers and impedances: every mistake is told, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL, Change
from tests.site.telling import Case, messages, section

CARBON_ROW = "carbon-1,resistance_4wire,301240,3,18.5,55,,,C26-07,model,,steel-t,air-rh,air-t"


def carbon(row: str, columns: str = "") -> tuple[Change, ...]:
    """The carbon gauge's row from its channel on, with further columns for all."""
    return (
        ("gauges.csv", CARBON_ROW, row),
        ("gauges.csv", "air_temperature_channel\n", f"air_temperature_channel{columns}\n"),
    )


DIVIDER: tuple[Change, ...] = (
    *carbon(
        "carbon-1,divider,0.6,0.00001,18.5,55,,,C26-07,model,,steel-t,air-rh,air-t,200000",
        ",reference_ohm",
    ),
    (
        "channels.csv",
        "carbon-1,AL-N1,resistance,Ohm,60,100,2000000",
        "carbon-1,AL-N1,bridge,/,60,,",
    ),
)
IMPEDANCE: tuple[Change, ...] = (
    *carbon(
        "carbon-1,impedance,301240,3,18.5,55,,,C26-07,model,,steel-t,air-rh,air-t,carbon-im",
        ",imaginary_channel",
    ),
    (
        "channels.csv",
        "steel-t,AL-N1",
        "carbon-im,AL-N1,resistance,Ohm,60,,\nsteel-t,AL-N1",
    ),
)
TWO_WIRE = carbon(
    "carbon-1,resistance_2wire,301240,3,18.5,55,2.0,,C26-07,model,,steel-t,air-rh,air-t,air-t,17,1",
    ",lead_temperature_channel,lead_temperature_c,lead_temperature_u_k",
)

CASES = (
    Case(
        "lead wires without the gauge's resistance",
        [("gauges.csv", "1.8,350", "1.8,")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "nominal_ohm": found an empty cell '
                "beside lead_ohm 1.8 Ohm; expected the gauge's resistance in Ohm. Fill in the "
                "gauge's resistance; without it lead_ohm cannot be taken off."
            )
        ],
    ),
    Case(
        "lead wires of a four-wire resistance",
        [("gauges.csv", "18.5,55,,,", "18.5,55,1.8,,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "lead_ohm": found 1.8 Ohm; '
                "expected no lead_ohm with wiring resistance_4wire. Leave it empty; the chain "
                "takes it off for divider, half_bending, half_poisson, quarter_2wire, "
                "quarter_3wire, resistance_2wire only."
            )
        ],
    ),
    Case(
        "a leakage of a full bridge",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,leakage_ohm\n"),
            (
                "gauges.csv",
                "quarter_3wire,0.000132,0.0000005,18.5,,1.8,350,F26-04,model,,steel-t,,",
                "full_bending,0.000132,0.0000005,18.5,,,,F26-04,none,common to the arms,,,,1e9",
            ),
            ("calibrations/foil.toml", section(FOIL, "[temperature]"), ""),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "leakage_ohm": found 1e+09 Ohm; '
                "expected no leakage_ohm with wiring full_bending. Leave it empty; the chain "
                "takes it off for divider, impedance, quarter_2wire, quarter_3wire, "
                "resistance_2wire, resistance_4wire only."
            )
        ],
    ),
    Case(
        "an input resistance without the gauge's",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,meter_ohm\n"),
            (
                "gauges.csv",
                "18.5,,1.8,350,F26-04,model,,steel-t,,",
                "18.5,,,,F26-04,model,,steel-t,,,1e7",
            ),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "nominal_ohm": found an empty cell '
                "beside meter_ohm 1e+07 Ohm; expected the gauge's resistance in Ohm. Fill in the "
                "gauge's resistance; without it meter_ohm cannot be taken off."
            )
        ],
    ),
    Case(
        "an input resistance below the gauge's",
        [
            ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,meter_ohm\n"),
            ("gauges.csv", "F26-04,model,,steel-t,,", "F26-04,model,,steel-t,,,10"),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "meter_ohm": found 10 Ohm beside a '
                "gauge of 350 Ohm; expected an input resistance far above the gauge's. Look at "
                "its unit: 10 MOhm is 1e7."
            )
        ],
    ),
    Case(
        "an input resistance below what the meter shows",
        [*carbon(f"{CARBON_ROW},1000", ",meter_ohm")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "meter_ohm": found 1000 Ohm beside '
                "unstrained 301240 Ohm; expected more than the gauge shows. Look at its unit: "
                "10 MOhm is 1e7."
            )
        ],
    ),
    Case(
        "an input resistance of an impedance meter",
        [
            *IMPEDANCE,
            ("gauges.csv", ",imaginary_channel\n", ",imaginary_channel,meter_ohm\n"),
            ("gauges.csv", ",carbon-im\n", ",carbon-im,1e9\n"),
        ],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "meter_ohm": found 1e+09 Ohm; '
                "expected no meter_ohm with wiring impedance. Leave it empty; the chain takes "
                "it off for divider, full_bending, full_poisson_axial, full_poisson_bending, "
                "half_bending, half_poisson, quarter_2wire, quarter_3wire, resistance_2wire, "
                "resistance_4wire only."
            )
        ],
    ),
    Case(
        "a lead temperature of three wires",
        [
            (
                "gauges.csv",
                "air_temperature_channel\n",
                "air_temperature_channel,lead_temperature_c\n",
            ),
            ("gauges.csv", "F26-04,model,,steel-t,,", "F26-04,model,,steel-t,,,20"),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "lead_temperature_c": found "20.0" '
                "with wiring quarter_3wire and lead_ohm 1.8; expected an empty cell without "
                "divider, quarter_2wire, resistance_2wire leads. Leave it empty: it cancels "
                "between two leads, or there are none."
            )
        ],
    ),
    Case(
        "a lead channel without its reference",
        [*TWO_WIRE, ("gauges.csv", ",air-t,17,1", ",air-t,,1")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "lead_temperature_c": found an empty '
                "cell; expected the temperature from which their warming counts. Fill in how "
                "warm the leads were when lead_ohm and unstrained were measured."
            )
        ],
    ),
    Case(
        "a lead channel that is no thermometer",
        [*TWO_WIRE, ("gauges.csv", ",air-t,17,1", ",air-rh,17,1")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "lead_temperature_channel": found '
                '"air-rh" of kind humidity; expected a channel of kind temperature. Name another '
                "channel, or mend its kind in channels.csv."
            )
        ],
    ),
    Case(
        "a lead channel that nobody sends",
        [*TWO_WIRE, ("gauges.csv", ",air-t,17,1", ",lead-x,17,1")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "lead_temperature_channel": found '
                '"lead-x"; expected a channel of a node on structure "alder". Known: "air-rh", '
                '"air-t", "carbon-1", "foil-1", "steel-t", "tilt-1".'
            )
        ],
    ),
    Case(
        "a divider without its resistor",
        [*DIVIDER, ("gauges.csv", "air-t,200000", "air-t,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "reference_ohm": found an empty cell; '
                "expected the reference resistor of a divider in Ohm. Fill in the resistor in "
                "series with the gauge: V/V_exc = R/(R + R_ref)."
            )
        ],
    ),
    Case(
        "a divider's resistor for a four-wire resistance",
        [*carbon(f"{CARBON_ROW},200000", ",reference_ohm")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "reference_ohm": found 200000 Ohm; '
                "expected an empty cell with resistance_4wire. Leave it empty, or write divider "
                "as the wiring."
            )
        ],
    ),
    Case(
        "a divider in Ohm",
        [*DIVIDER, ("gauges.csv", "divider,0.6", "divider,301240")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained": found 301240 V/V; '
                "expected a share of the excitation between 0 and 1. Write V/V_exc = "
                "R/(R + R_ref)."
            )
        ],
    ),
    Case(
        "a divider whose leads are longer than the gauge",
        [*DIVIDER, ("gauges.csv", "0.00001,18.5,55,,", "0.00001,18.5,55,160000,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained": found 300000 Ohm with '
                "leads of 160000 Ohm each; expected more than both leads. Write the share that "
                "was measured, leads included, and look at reference_ohm."
            )
        ],
    ),
    Case(
        "a divider on a meter of less than the gauge",
        [
            *DIVIDER,
            ("gauges.csv", ",reference_ohm\n", ",reference_ohm,meter_ohm\n"),
            ("gauges.csv", "air-t,200000", "air-t,200000,10"),
        ],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "meter_ohm": found 10 Ohm beside '
                "300000 Ohm; expected more than the gauge shows. Look at its unit: 100 MOhm is "
                "1e8."
            )
        ],
    ),
    Case(
        "an impedance without its imaginary part",
        [*IMPEDANCE, ("gauges.csv", "air-t,carbon-im", "air-t,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "imaginary_channel": found an empty '
                "cell; expected the channel of the imaginary part. Name the channel of Im(Z): the "
                "gauge is 1/Re(Y), and Re(Z) alone reads low."
            )
        ],
    ),
    Case(
        "an imaginary part of a four-wire resistance",
        [*IMPEDANCE, ("gauges.csv", "carbon-1,impedance", "carbon-1,resistance_4wire")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "imaginary_channel": found '
                '"carbon-im"; expected an empty cell with resistance_4wire. Leave it empty, or '
                "write impedance as the wiring."
            )
        ],
    ),
    Case(
        "an imaginary part that is a temperature",
        [*IMPEDANCE, ("gauges.csv", "air-t,carbon-im", "air-t,air-t")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "imaginary_channel": found "air-t" '
                "of kind temperature; expected kind resistance. Name the channel of Im(Z) in "
                "Ohm, or mend its kind in channels.csv."
            )
        ],
    ),
    Case(
        "an imaginary part that is the real one",
        [*IMPEDANCE, ("gauges.csv", "air-t,carbon-im", "air-t,carbon-1")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "imaginary_channel": found '
                '"carbon-1", which is Re(Z) too; expected another channel. Name the channel of '
                "Im(Z)."
            )
        ],
    ),
    Case(
        "a negative warm-up",
        [*carbon(f"{CARBON_ROW},-5", ",warm_up_s")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "warm_up_s": found -5; expected a '
                "number not below 0. Write 0 or a number above."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)


@pytest.mark.parametrize("changes", [DIVIDER, IMPEDANCE, TWO_WIRE])
def test_complete_instruments_are_taken(changes: tuple[Change, ...], tmp_path: Path) -> None:
    """Each wiring with all its figures makes no message."""
    assert messages(tmp_path, *changes) == []
