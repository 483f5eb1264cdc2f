"""
Limits of quality tests: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import WITH_COMPANION, Change
from tests.site.telling import Case, messages

HEADER = "flat_s,flat_tolerance"
QUARTER = "B1-quarter,alder,B1,3.0,0.0,-0.3,along the beam,strain,µm/m,mechanical,210,-3000,3000"
QUARTER_REST = ",3600,0.0"
MID_REST = "µm/m,mechanical,210,-3000,3000,,\n"
TILT_REST = "-50,50,,"


def quarter(**cells: str) -> list[Change]:
    """Further columns of points.csv, filled in for B1-quarter (line 4)."""
    return [
        ("points.csv", HEADER, f"{HEADER},{','.join(cells)}"),
        (
            "points.csv",
            f"{QUARTER}{QUARTER_REST}",
            f"{QUARTER}{QUARTER_REST},{','.join(cells.values())}",
        ),
    ]


def mid(**cells: str) -> list[Change]:
    """Further columns of points.csv, filled in for B1-mid (line 3)."""
    return [
        ("points.csv", HEADER, f"{HEADER},{','.join(cells)}"),
        ("points.csv", MID_REST, f"{MID_REST[:-1]},{','.join(cells.values())}\n"),
    ]


def tilt(**cells: str) -> list[Change]:
    """Further columns of points.csv, filled in for P1-tilt (line 5)."""
    return [
        ("points.csv", HEADER, f"{HEADER},{','.join(cells)}"),
        ("points.csv", TILT_REST, f"{TILT_REST},{','.join(cells.values())}"),
    ]


POINT = 'points.csv, line 4, point "B1-quarter", column'

CASES = (
    Case(
        "a noise limit without its span",
        quarter(noise_high="4"),
        [
            (
                f'{POINT} "noise_high": found 4 without noise_s; expected noise_s beside it. State '
                "over which span, in seconds."
            )
        ],
    ),
    Case(
        "a span without a noise limit",
        quarter(noise_s="1800"),
        [
            (
                f'{POINT} "noise_s": found 1800 without a limit; expected noise_low or noise_high '
                "beside it. State one of them, or leave noise_s empty."
            )
        ],
    ),
    Case(
        "a span with too few values",
        quarter(noise_s="600", noise_high="4"),
        [
            (
                f'{POINT} "noise_s": found 600 s with a value every 60 s; expected at least 20 '
                "intervals, 1200 s. Make the span longer."
            )
        ],
    ),
    Case(
        "noise limits in the wrong order",
        quarter(noise_s="1800", noise_low="4", noise_high="1"),
        [
            (
                f'{POINT} "noise_low": found noise_low 4 and noise_high 1; expected noise_low '
                "below noise_high. Mend one of the two."
            )
        ],
    ),
    Case(
        "a spike of no height",
        quarter(spike_height="0"),
        [(f'{POINT} "spike_height": found 0; expected a number above 0. Write a number above 0.')],
    ),
    Case(
        "a gap as short as the interval",
        quarter(gap_s="60"),
        [
            (
                f'{POINT} "gap_s": found 60 s with a value every 60 s; expected more than one '
                "interval. Make it longer, or leave it empty for 2.5 intervals."
            )
        ],
    ),
    Case(
        "a clock that jumps at each interval",
        quarter(clock_intervals="1"),
        [
            (
                f'{POINT} "clock_intervals": found 1; expected more than one interval. Write a '
                "number above 1, for example 10."
            )
        ],
    ),
    Case(
        "leakage that compression causes",
        quarter(leakage_drop="0.01"),
        [
            (
                f'{POINT} "leakage_drop": found 0.01, which strain alone does to "C-0712" in its '
                "calibrated range; expected more than 0.0211. Write a share beyond what strain "
                "and climate together can do."
            )
        ],
    ),
    Case(
        "leakage that is a short circuit",
        quarter(leakage_drop="0.8"),
        [
            (
                f'{POINT} "leakage_drop": found 0.8; expected less than 0.8: from there the gauge '
                "counts as shorted and fails. Write a smaller share."
            )
        ],
    ),
    Case(
        "leakage of a tilt sensor",
        tilt(leakage_drop="0.1"),
        [
            (
                'points.csv, line 5, point "P1-tilt", column "leakage_drop": found it at a point '
                "of tilt; expected a strain point. Leave it empty."
            )
        ],
    ),
    Case(
        "a companion limit without a companion",
        quarter(companion_um_m="50"),
        [
            (
                f'{POINT} "companion_um_m": found it for gauge "C-0712" with compensation model; '
                "expected a gauge with a companion. Leave it empty, or give the gauge its "
                "companion."
            )
        ],
    ),
    Case(
        "a companion whose calibration knows no temperature",
        [
            *WITH_COMPANION,
            ("gauges.csv", "F26-04,model,,steel-t,,,,yes", "F26-04,none,steel on steel,,,,,yes"),
            *mid(companion_um_m="50"),
            (
                "calibrations/foil.toml",
                "[temperature]\noutput_um_m = [0.55, -0.021, 1.1e-4]\noutput_factor = 2.0\n"
                "output_expansion_1e6_per_k = 12.0\n"
                'yields = "mechanical"\nfactor_per_k = 1.0e-4\nrange_c = [-20.0, 60.0]\n'
                "output_u = 0.1\n",
                "",
            ),
        ],
        [
            (
                'points.csv, line 3, point "B1-mid", column "companion_um_m": found it, but '
                '"F26-04" of the companion has no [temperature]; expected a calibration that says '
                "what the climate does to the companion. Add [temperature] to the calibration, or "
                "leave companion_um_m empty."
            )
        ],
    ),
    Case(
        "a companion that is compared without a temperature",
        [
            *WITH_COMPANION,
            *mid(companion_um_m="50"),
            ("gauges.csv", "companion,,steel-t,,,F-0500", "companion,,,,,F-0500"),
            ("calibrations/foil.toml", "factor_per_k = 1.0e-4\n", ""),
        ],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "temperature_channel": found an empty '
                "cell; expected a channel, needed to compare with its companion's calibration. "
                "Fill in temperature_channel, or leave companion_um_m of its point empty."
            )
        ],
    ),
    Case(
        "a drift to be taken off",
        quarter(drift_budget_um_m_per_month="5"),
        [
            (
                f'{POINT} "drift_budget_um_m_per_month": found a budget of 5 µm/m per month; '
                "expected an empty cell: this release corrects no drift by itself. Leave it "
                "empty. What is known of the gauge's own drift belongs into [ageing] and "
                "[[creep]] of its calibration, where it is taken off with its uncertainty; for "
                "the rest an engineer takes a zero with a reason (`spanwarden zero`)."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)


def test_sound_limits_of_every_test_are_taken(tmp_path: Path) -> None:
    """One point with all that a strain gauge can have, another with a companion."""
    limits = {
        "gap_s": "180", "rate_per_s": "5", "spike_height": "40", "noise_s": "1800",
        "noise_low": "0.05", "noise_high": "9", "leakage_drop": "0.12", "clock_intervals": "10",
    }  # fmt: skip

    assert messages(tmp_path / "a", *quarter(**limits)) == []
    assert messages(tmp_path / "b", *WITH_COMPANION, *mid(companion_um_m="50")) == []
