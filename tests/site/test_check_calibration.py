"""
Calibrations in themselves: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL
from tests.site.telling import Case, messages, section

CASES = (
    Case(
        "the same calibration twice",
        [],
        [
            (
                'calibrations/foil2.toml, calibration "F26-04", key "valid_from": found id, '
                "valid_from and recorded as in calibrations/foil.toml; expected another "
                "valid_from, or a later recorded if this one corrects it. Take one of the two "
                "files out, or say when this one was recorded."
            )
        ],
        extra={"calibrations/foil2.toml": FOIL},
    ),
    Case(
        "neither serial nor batch",
        [("calibrations/tilt.toml", 'batch = "T26-01"\n', "")],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "batch": found neither; '
                'expected either serial or batch. Write batch = "…" for a whole batch, or '
                'serial = "…" for one gauge.'
            )
        ],
    ),
    Case(
        "both serial and batch",
        [("calibrations/tilt.toml", 'batch = "T26-01"\n', 'batch = "T26-01"\nserial = "T-0003"\n')],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "batch": found both; '
                'expected either serial or batch. Write batch = "…" for a whole batch, or '
                'serial = "…" for one gauge.'
            )
        ],
    ),
    Case(
        "no author",
        [("calibrations/tilt.toml", 'author = "Ines Okoro"', 'author = " "')],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "author": found an empty '
                "text; expected the author. Write it, so that any number can be traced to its "
                "bench run."
            )
        ],
    ),
    Case(
        "strain without a curve",
        [("calibrations/foil.toml", section(FOIL, "[curve]", "[temperature]"), "")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "curve": found no [curve]; '
                "expected a curve for kind strain. Add [curve], as `spanwarden calibrate` "
                "writes it."
            )
        ],
    ),
    Case(
        "linear without a scale",
        [("calibrations/tilt.toml", "scale = 17.453\n", "")],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "scale": found no scale; '
                "expected a scale other than 0 for linear. Write scale in units of the point "
                "per unit of the channel."
            )
        ],
    ),
    Case(
        "linear with ageing",
        [
            (
                "calibrations/tilt.toml",
                "scale_u = 0.02\n",
                'scale_u = 0.02\n[ageing]\nkind = "linear"\nper_year = 1e-4\n',
            )
        ],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "ageing": found [ageing]; '
                "expected no ageing for kind linear. The chain does not use it for linear "
                "sensors: take it out."
            )
        ],
    ),
    Case(
        "both thermal outputs",
        [
            (
                "calibrations/carbon.toml",
                "output = [-8.0e-4, 3.0e-6]",
                "output = [-8.0e-4, 3.0e-6]\noutput_um_m = [1.0]\noutput_factor = 2.0",
            )
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "temperature.output": '
                "found both output and output_um_m; expected exactly one of the two. Keep "
                "output for a chamber run in δ, or output_um_m for a data sheet in µm/m."
            )
        ],
    ),
    Case(
        "no thermal output",
        [("calibrations/carbon.toml", "output = [-8.0e-4, 3.0e-6]\n", "")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "temperature.output": '
                "found neither output nor output_um_m; expected exactly one of the two. Keep "
                "output for a chamber run in δ, or output_um_m for a data sheet in µm/m."
            )
        ],
    ),
    Case(
        "a data sheet without its factor",
        [("calibrations/foil.toml", "output_factor = 2.0\n", "")],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key '
                '"temperature.output_factor": found no factor; expected a factor beside '
                "output_um_m. Write the factor at which the data sheet states its thermal "
                "output, often 2.0."
            )
        ],
    ),
    Case(
        "a bare film that yields mechanical strain",
        [("calibrations/carbon.toml", "output_expansion_1e6_per_k = 12.0\n", "")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key '
                '"temperature.output_expansion_1e6_per_k": found no material; expected the '
                "expansion of the material on which it was measured. Write it, 12.0 for steel; "
                'for a bare film write yields = "total".'
            )
        ],
    ),
    Case(
        "a range that lacks the reference",
        [("calibrations/carbon.toml", "range_c = [-15.0, 50.0]", "range_c = [25.0, 50.0]")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "temperature.range_c": '
                "found 25 to 50 °C; expected a range that contains the reference, 20 °C. Write "
                "the range of the chamber run, and the reference inside it."
            )
        ],
    ),
    Case(
        "no moisture figures",
        [("calibrations/carbon.toml", "output = [0.015, 0.004]", "output = []")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "moisture.output": found '
                "an empty list; expected figures. Write the coefficients of (w - w_ref), (w - "
                "w_ref)², …"
            )
        ],
    ),
    Case(
        "no time constant",
        [("calibrations/carbon.toml", "time_constant_s = 5400.0", "time_constant_s = 0.0")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key '
                '"moisture.time_constant_s": found 0 s; expected a time above 0. Write it in '
                "seconds."
            )
        ],
    ),
    Case(
        "a reference humidity as a fraction beyond",
        [
            (
                "calibrations/carbon.toml",
                "reference_humidity_rh = 50.0",
                "reference_humidity_rh = 500.0",
            )
        ],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "reference_humidity_rh": '
                "found 500 %RH; expected 0 to 100 %RH. Write it in %RH, for example 50."
            )
        ],
    ),
    Case(
        "a negative uncertainty",
        [("calibrations/carbon.toml", "output_u = 0.05", "output_u = -0.05")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "temperature.output_u": '
                "found -0.05; expected not below 0. Write 0 or a number above."
            )
        ],
    ),
    Case(
        "a creep term without time",
        [("calibrations/carbon.toml", "time_constant_s = 900.0", "time_constant_s = -900.0")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "creep, term 1": found '
                "time_constant_s -900, u 0.004; expected a time constant above 0 and no "
                "negative uncertainty. Mend the term."
            )
        ],
    ),
    Case(
        "creep in percent",
        [("calibrations/carbon.toml", "fraction = 0.02\n", "fraction = 2.0\n")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key "creep": found 2.015 in '
                "all; expected less than 1 in all. Write fractions, not percentages: 2 % is "
                "0.02."
            )
        ],
    ),
    Case(
        "strain with a scale",
        [("calibrations/foil.toml", 'kind = "strain"', 'kind = "strain"\nscale = 2.0')],
        [
            (
                'calibrations/foil.toml, calibration "F26-04", key "scale": found 2; expected '
                'no scale for strain. Take it out, or write kind = "linear".'
            )
        ],
    ),
    Case(
        "linear with a negative uncertainty",
        [("calibrations/tilt.toml", "scale_u = 0.02", "scale_u = -0.02")],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "scale_u": found -0.02; '
                "expected not below 0. Write 0 or a number above."
            )
        ],
    ),
    Case(
        "a factor beside a chamber run",
        [("calibrations/carbon.toml", "output_u = 0.05", "output_u = 0.05\noutput_factor = 2.0")],
        [
            (
                'calibrations/carbon.toml, calibration "C26-07", key '
                '"temperature.output_factor": found 2; expected no factor beside output. Take '
                "it out: output is in δ and needs no factor."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
