"""
Curves of calibrations: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.telling import Case, messages

CUBIC = 'kind = "cubic"\ncoefficients = [20.0, -1500.0, -4.0e5]'
COVARIANCE = "[[0.04, -6.0, 0.0], [-6.0, 14400.0, 0.0], [0.0, 0.0, 6.4e9]]"
KNOTS = 'kind = "monotone"\nknots_strain_um_m = %s\nknots_delta = %s'
KNOT_COVARIANCE = "[[0.0, 0, 0], [0, 1e-8, 0], [0, 0, 1e-8]]"

CASES = (
    Case(
        "an empty range",
        [
            ("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[1400.0, -1000.0]"),
            ("rules.toml", "high = 280.0", "high = 10.0"),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "1400 to -1000 µm/m; expected a range that is not empty. Write the compression "
                "end first, then the tension end."
            )
        ],
    ),
    Case(
        "a range without 0",
        [("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[100.0, 1400.0]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "100 to 1400 µm/m; expected a range that contains 0. Write the range that the "
                "bench reached; an end it never reached is 0."
            )
        ],
    ),
    Case(
        "a range in m/m",
        [
            ("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[-0.001, 0.0014]"),
            ("rules.toml", "high = 280.0", "high = 0.001"),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "-0.001 to 0.0014 µm/m; expected a range in µm/m. Write it in µm/m: 0.0014 is "
                "1400."
            )
        ],
    ),
    Case(
        "too few coefficients",
        [("calibrations/carbon.toml", "[20.0, -1500.0, -4.0e5]", "[20.0, -1500.0]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.coefficients": '
                "found 2 coefficients; expected 3 for a cubic curve. Write those of ε, ε², ε³ "
                "(m/m) in that order; a monotone curve has knots instead."
            )
        ],
    ),
    Case(
        "knots for a cubic",
        [("calibrations/carbon.toml", "gauges = 6", "gauges = 6\nknots_delta = [0.0]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found knots; expected no knots for a cubic curve. Take them out, or write "
                'kind = "monotone".'
            )
        ],
    ),
    Case(
        "knots and strains that differ in number",
        [
            (
                "calibrations/carbon.toml",
                'kind = "cubic"\ncoefficients = [20.0, -1500.0, -4.0e5]',
                'kind = "monotone"\nknots_strain_um_m = [0.0, 1.0]\nknots_delta = [0.0]',
            )
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found 2 strains and 1 deltas; expected at least 2 knots, as many strains as "
                "deltas. Write one delta for each strain."
            )
        ],
    ),
    Case(
        "a covariance of the wrong shape",
        [
            (
                "calibrations/carbon.toml",
                "[[0.04, -6.0, 0.0], [-6.0, 14400.0, 0.0], [0.0, 0.0, 6.4e9]]",
                "[[0.04, -6.0], [-6.0, 14400.0]]",
            )
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.covariance": found '
                "2 rows of 2; expected 3 rows of 3. Write the covariance of the figures of the "
                "fit, row by row."
            )
        ],
    ),
    Case(
        "a parabola that turns inside the range",
        [("calibrations/carbon.toml", "[20.0, -1500.0, -4.0e5]", "[20.0, -1500.0, -4.0e6]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.coefficients": '
                "found a curve with tangent factor -7.72 at 1400 µm/m; expected a curve that "
                "rises, or falls, everywhere in its range. End the range before the curve "
                "turns, or look at the units: ε is in m/m."
            )
        ],
    ),
    Case(
        "a cubic that turns between the ends",
        [("calibrations/carbon.toml", "[20.0, -1500.0, -4.0e5]", "[1.0, -3000.0, 2.0e6]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.coefficients": '
                "found a curve with tangent factor -0.5 at 500 µm/m; expected a curve that "
                "rises, or falls, everywhere in its range. End the range before the curve "
                "turns, or look at the units: ε is in m/m."
            )
        ],
    ),
    Case(
        "a negative variance",
        [("calibrations/foil.toml", "[[1.0e-4]]", "[[-1.0e-4]]")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "curve.covariance": found a '
                "negative variance, -0.0001; expected a symmetric matrix without negative "
                "eigenvalues. Copy the covariance from the bench report with all its digits."
            )
        ],
    ),
    Case(
        "an unsymmetric covariance",
        [("calibrations/carbon.toml", "[-6.0, 14400.0, 0.0]", "[-5.0, 14400.0, 0.0]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.covariance": found '
                "a matrix that is not symmetric; expected a symmetric matrix without negative "
                "eigenvalues. Copy the covariance from the bench report with all its digits."
            )
        ],
    ),
    Case(
        "a correlation above 1",
        [("calibrations/carbon.toml", "-6.0", "-36.0")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.covariance": found '
                "a matrix whose correlations have the eigenvalue -0.5; expected a symmetric "
                "matrix without negative eigenvalues. Copy the covariance from the bench "
                "report with all its digits."
            )
        ],
    ),
    Case(
        "no degrees of freedom",
        [("calibrations/foil.toml", "degrees_of_freedom = 14.0", "degrees_of_freedom = 0.0")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "curve.degrees_of_freedom": '
                "found 0; expected a number above 0. Copy it from the bench report."
            )
        ],
    ),
    Case(
        "no gauges",
        [("calibrations/foil.toml", "gauges = 5", "gauges = 0")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "curve.gauges": found 0; '
                "expected at least 1. Write on how many gauges the curve was found."
            )
        ],
    ),
    Case(
        "a negative spread",
        [("calibrations/foil.toml", "between_gauges = 0.004", "between_gauges = -0.004")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "curve.between_gauges": '
                "found -0.004; expected not below 0. Write 0 or a number above."
            )
        ],
    ),
    Case(
        "knots that fall",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-1000.0, 0.0, 1400.0]", "[-0.02, 0.0, -0.03]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found 0 after -0.02; expected values in one direction. Sort the knots; where "
                "delta stops rising the gauge is saturated: end there."
            )
        ],
    ),
    Case(
        "knots without zero",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-1000.0, 10.0, 1400.0]", "[-0.02, 0.0, 0.03]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found no knot 0, 0; expected a knot with strain 0 and delta 0. Add the knot "
                "0, 0: delta counts from the unstrained value."
            )
        ],
    ),
    Case(
        "a range beyond the knots",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-900.0, 0.0, 1400.0]", "[-0.02, 0.0, 0.03]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "-1000 to 1400 µm/m; expected a range inside the knots, -900 to 1400. Shorten "
                "the range to what the bench reached."
            )
        ],
    ),
    Case(
        "knots level at the end",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-1000.0, 0.0, 1400.0]", "[-0.02, 0.0, 1.0e-9]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found a curve that runs level; expected knots through which a curve runs that "
                "is nowhere level. Look at the knots at the ends; where delta hardly rises the "
                "range must end."
            )
        ],
    ),
    Case(
        "knots level at the beginning",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-1000.0, 0.0, 1400.0]", "[-1.0e-9, 0.0, 0.03]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.knots_delta": '
                "found the curve is not strictly monotone in its range [-0.001, 0.0014]; "
                "expected knots through which a curve runs that is nowhere level. Look at the "
                "knots at the ends; where delta hardly rises the range must end."
            )
        ],
    ),
    Case(
        "knots with an empty range",
        [
            (
                "calibrations/carbon.toml",
                CUBIC,
                KNOTS % ("[-1000.0, 0.0, 1400.0]", "[-0.02, 0.0, 0.03]"),
            ),
            ("calibrations/carbon.toml", COVARIANCE, KNOT_COVARIANCE),
            ("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[0.0, 0.0]"),
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "0 to 0 µm/m; expected a range that is not empty. Write the compression end "
                "first, then the tension end."
            )
        ],
    ),
    Case(
        "a range longer than the member",
        [("calibrations/carbon.toml", "[-1000.0, 1400.0]", "[-1000.0, 1.0e200]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.range_um_m": found '
                "-1000 to 1e+200 µm/m; expected a range in µm/m. Write it in µm/m: 0.0014 is "
                "1400."
            ),
            (
                'calibrations/carbon.toml, calibration "C26-07", key "curve.coefficients": '
                "found a curve with tangent factor -inf at 1e+200 µm/m; expected a curve that "
                "rises, or falls, everywhere in its range. End the range before the curve "
                "turns, or look at the units: ε is in m/m."
            ),
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
