"""
Compensation and companions: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL, WITH_COMPANION, Change
from tests.site.telling import Case, messages, section

HALF_BRIDGE: tuple[Change, ...] = (
    (
        "gauges.csv",
        "carbon-1,resistance_4wire,301240,3,18.5,55,",
        "carbon-1,half_bending,0.01,0.0001,,,",
    ),
    (
        "channels.csv",
        "carbon-1,AL-N1,resistance,Ohm,60,100,2000000",
        "carbon-1,AL-N1,bridge,/,60,,",
    ),
)
"""The carbon gauges of batch C26-07 as a half bridge in bending."""

CASES = (
    Case(
        "none without reason",
        [("gauges.csv", "the sensor compensates itself", "")],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "compensation_reason": found an '
                "empty cell; expected the reason for compensation none. Write why the climate "
                "need not be taken off, or choose model or companion."
            )
        ],
    ),
    Case(
        "companion without serial",
        [("gauges.csv", "F26-04,model", "F26-04,companion")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found an empty cell; '
                "expected the serial of the companion. Write the serial of the unstrained "
                "gauge, or choose model."
            )
        ],
    ),
    Case(
        "model for a linear sensor",
        [("gauges.csv", "T26-01,none,the sensor compensates itself", "T26-01,model,")],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "compensation": found model; '
                'expected none for a linear sensor. Write none, and as reason for example "the '
                'sensor compensates itself".'
            )
        ],
    ),
    Case(
        "model without a temperature table",
        [("calibrations/foil.toml", section(FOIL, "[temperature]"), "")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "compensation": found model, but '
                '"F26-04" (calibrations/foil.toml) has no [temperature]; expected a '
                "calibration with [temperature]. Add [temperature] to it, or choose companion, "
                "or none with a reason."
            )
        ],
    ),
    Case(
        "model without a temperature channel",
        [("gauges.csv", ",steel-t,,\n", ",,,\n")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "temperature_channel": found an '
                "empty cell; expected a value, needed for compensation model. Fill in "
                "temperature_channel."
            )
        ],
    ),
    Case(
        "model without the unstrained temperature",
        [("gauges.csv", "18.5,,1.8", ",,1.8")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "unstrained_temperature_c": found '
                "an empty cell; expected a value, needed for compensation model. Fill in "
                "unstrained_temperature_c."
            )
        ],
    ),
    Case(
        "moisture without humidity",
        [("gauges.csv", "steel-t,air-rh,air-t", "steel-t,,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "humidity_channel": found an empty '
                "cell; expected a value, needed for [moisture] of its calibration. Fill in "
                "humidity_channel."
            )
        ],
    ),
    Case(
        "moisture without the unstrained humidity",
        [("gauges.csv", "18.5,55", "18.5,")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "unstrained_humidity_rh": found an '
                "empty cell; expected a value, needed for [moisture] of its calibration. Fill "
                "in unstrained_humidity_rh."
            )
        ],
    ),
    Case(
        "several arms with a companion",
        [
            *WITH_COMPANION,
            (
                "gauges.csv",
                "quarter_3wire,0.000132,0.0000005,18.5,,1.8,350,F26-04,companion",
                "half_bending,0.000132,0.0000005,18.5,,,,F26-04,companion",
            ),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "compensation": found companion; '
                "expected model or none with wiring half_bending. The climate is common to the "
                "arms: a companion would take it off twice."
            )
        ],
    ),
    Case(
        "several arms on the curve of one gauge",
        [*HALF_BRIDGE, ("calibrations/carbon.toml", 'batch = "C26-07"', 'serial = "C-0712"')],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "calibration": found "C26-07" of '
                "one gauge, with a cubic curve, and wiring half_bending; expected a calibration "
                "of the batch that all arms are from: the curve of each must be known. Name one "
                "of the batch, or wire each gauge as a quarter bridge or by resistance."
            )
        ],
    ),
    Case(
        "several arms calibrated in tension alone",
        [*HALF_BRIDGE, ("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[0.0, 1400.0]")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "calibration": found "C26-07", '
                "calibrated from 0 to 1400 µm/m, and wiring half_bending; expected a range on "
                "both sides of 0: one arm is compressed when another is stretched. Calibrate on "
                "both sides, or wire each gauge as a quarter bridge or by resistance."
            )
        ],
    ),
    Case(
        "several arms with the model and no temperature",
        [*HALF_BRIDGE, ("gauges.csv", ",model,,steel-t,air-rh,air-t", ",model,,,air-rh,air-t")],
        [
            (
                'gauges.csv, line 3, gauge "C-0712", column "temperature_channel": found an '
                "empty cell; expected a value, needed for compensation model. Fill in "
                "temperature_channel."
            )
        ],
    ),
    Case(
        "total watched but no temperature",
        [
            (
                "points.csv",
                "strain,µm/m,mechanical,210,-3000,3000,,",
                "strain,µm/m,total,210,-3000,3000,,",
            ),
            ("gauges.csv", "F26-04,model,,steel-t", "F26-04,none,steel on steel,"),
            ("calibrations/foil.toml", "factor_per_k = 1.0e-4\n", ""),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "temperature_channel": found an '
                "empty cell; expected a value, needed for total strain, which is watched. Fill "
                "in temperature_channel."
            )
        ],
    ),
    Case(
        "factor by temperature but no temperature",
        [*WITH_COMPANION, ("gauges.csv", "companion,,steel-t,,,F-0500", "companion,,,,,F-0500")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "temperature_channel": found an '
                "empty cell; expected a value, needed for factor_per_k of its calibration. "
                "Fill in temperature_channel."
            )
        ],
    ),
    Case(
        "a companion nobody knows",
        [*WITH_COMPANION, ("gauges.csv", "steel-t,,,F-0500", "steel-t,,,F-0501")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0501"; '
                'expected the serial of a gauge. Did you mean "F-0500"?'
            )
        ],
    ),
    Case(
        "a companion that carries load",
        [*WITH_COMPANION, ("gauges.csv", "steel-t,,,,yes", "steel-t,,,,no")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0500" of '
                'line 3, gauge "F-0500"; expected a gauge whose rows say free = yes: it feels '
                "no load. Name another companion, or mend its row."
            )
        ],
    ),
    Case(
        "a companion of another batch",
        [
            *WITH_COMPANION,
            ("gauges.csv", "F-0500,F26-04", "F-0500,F26-03"),
            (
                "gauges.csv",
                "0.000101,0.0000005,18.5,,1.8,350,F26-04",
                "0.000101,0.0000005,18.5,,1.8,350,F26-03",
            ),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0500" of '
                'line 3, gauge "F-0500"; expected a gauge of the same batch, "F26-04". Name '
                "another companion, or mend its row."
            )
        ],
        extra={"calibrations/foil3.toml": FOIL.replace("F26-04", "F26-03")},
    ),
    Case(
        "a companion that came later",
        [*WITH_COMPANION, ("gauges.csv", "2026-03-02T09:00:00Z", "2026-03-02T12:00:00Z")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0500", which '
                "is not in place all that time; expected a companion in place from "
                "2026-03-02T09:30:00Z until now. Split this row where the companion came or "
                "went."
            )
        ],
    ),
    Case(
        "a companion that left",
        [
            *WITH_COMPANION,
            ("gauges.csv", "2026-03-02T09:00:00Z,", "2026-03-02T09:00:00Z,2026-09-01T00:00:00Z"),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0500", which '
                "is not in place all that time; expected a companion in place from "
                "2026-03-02T09:30:00Z until now. Split this row where the companion came or "
                "went."
            )
        ],
    ),
    Case(
        "a companion beside the model",
        [*WITH_COMPANION, ("gauges.csv", "F26-04,companion,", "F26-04,model,")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "companion": found "F-0500"; '
                "expected an empty cell with model. Leave it empty, or write companion as the "
                "compensation."
            )
        ],
    ),
    Case(
        "a level on a free piece",
        [*WITH_COMPANION, ("rules.toml", 'points = ["B1-mid"]', 'points = ["B1-mid", "B1-free"]')],
        [
            (
                'rules.toml, line 1, rule "mid-level", key "points": found point "B1-free", '
                "whose gauge sits on a free piece; expected points on the structure. Take the "
                "point out of the patterns: a free piece carries no load."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)


def test_several_arms_on_a_bent_curve_of_their_batch_are_taken_with_its_climate(
    tmp_path: Path,
) -> None:
    """Curve, climate and ageing of the batch are known for every arm: nothing is refused."""
    assert messages(tmp_path, *HALF_BRIDGE) == []


def test_several_arms_are_calibrated_where_none_of_them_has_left_its_range(
    tmp_path: Path,
) -> None:
    """C26-07 reaches -1000 µm/m: in bending the other arm is there at a limit of 1000."""
    limit = ("rules.toml", "high = 280.0", "high = 1200.0")

    assert messages(tmp_path / "alone", limit) == []
    assert messages(tmp_path / "arms", *HALF_BRIDGE, limit) == [
        'gauges.csv, line 3, gauge "C-0712": found calibration "C26-07 as half_bending" ends at '
        '1000 µm/m, rule "quarter-level" watches to 1200; expected a limit inside the calibrated '
        "range. Calibrate further or set the limit to 1000 or less."
    ]


def test_several_arms_may_leave_the_climate_out_with_a_reason(tmp_path: Path) -> None:
    """`none` needs no climate channel, whatever tables the batch's calibration has."""
    none = (
        "gauges.csv",
        "C26-07,model,,steel-t,air-rh,air-t",
        "C26-07,none,the climate is common to the arms,,,",
    )

    assert messages(tmp_path, *HALF_BRIDGE, none) == []
