"""
SenML units: every secondary one of RFC 8798 by its table, and what must never be converted.

The rows of the table are copied from RFC 8798, table 2.
"""

from __future__ import annotations

import csv
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.units import SECONDARY, conversion, convert

TABLE = Path(__file__).parents[3] / "shared" / "reference" / "senml" / "senml_secondary_units.csv"


def converted(value: float, sent: str, wanted: str, *, secondary: bool = True) -> float | None:
    """The value in the other unit, or None."""
    units = conversion(sent, wanted, secondary=secondary)
    return None if units is None else float(convert(np.array([value]), units)[0])


@pytest.mark.parametrize(
    ("value", "sent", "wanted", "expected"),
    [
        (5.0, "mV", "V", 0.005),
        (125.0, "ppm", "/", 0.000125),
        (0.7, "/1000", "/", 0.0007),
        (3.0, "/100", "/", 0.03),
        (1.2, "mm", "m", 0.0012),
        (12.0, "cm", "mm", 120.0),
        (0.0012, "m", "mm", 1.2),
        (1013.25, "hPa", "Pa", 101325.0),
        (273.15, "K", "Cel", 0.0),
        (0.0, "Cel", "K", 273.15),
        (180.0, "deg", "rad", math.pi),
        (math.pi / 2, "rad", "deg", 90.0),
        (36.0, "km/h", "m/s", 10.0),
        (0.0, "dBm", "dBW", -30.0),
    ],
)
def test_value_is_right_when_converted(
    value: float, sent: str, wanted: str, expected: float
) -> None:
    """Worked by hand from the scale of RFC 8798 and the zero of the Celsius scale."""
    assert converted(value, sent, wanted) == pytest.approx(expected, rel=1e-15, abs=1e-15)


@pytest.mark.parametrize(
    ("sent", "wanted"),
    [
        ("mV", "/"),
        ("%", "/"),
        ("%RH", "/"),
        ("/", "%RH"),
        ("Ohm", "V"),
        ("Cel", "rad"),
        ("ue", "/"),
        ("um/m", "/"),
        ("", "V"),
        ("mv", "V"),
    ],
)
def test_unit_is_refused_when_it_does_not_convert_safely(sent: str, wanted: str) -> None:
    """Other quantities, unregistered units, and the percent sign that people misread."""
    assert conversion(sent, wanted, secondary=True) is None


@pytest.mark.parametrize("sent", SECONDARY)
def test_secondary_unit_is_refused_when_the_payload_does_not_allow_it(sent: str) -> None:
    """RFC 9100: secondary units need the version's bit, even where the channel has the same."""
    assert conversion(sent, SECONDARY[sent].primary, secondary=False) is None


def test_table_is_that_of_the_rfc_when_the_reference_is_there() -> None:
    """Every row of the reference table is here with its scale and offset, and none besides."""
    if not TABLE.exists():
        pytest.skip("the reference folder is not part of the checkout")
    lines = [line for line in TABLE.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))

    assert {row["secondary_unit"] for row in rows} == set(SECONDARY)
    for row in rows:
        unit = SECONDARY[row["secondary_unit"]]
        over, _, under = row["scale"].partition("/")
        scale = Fraction(over) / Fraction(under or 1)
        assert unit.primary == row["primary_unit"]
        assert unit.times / unit.over == pytest.approx(float(scale), rel=1e-15)
        assert unit.offset == float(row["offset"])
