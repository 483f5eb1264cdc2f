"""
Numbers, times and places as people read them.

Expected texts are written by hand; zone rules are those of the IANA database.
"""

from __future__ import annotations

import pytest

from pipeline.notify.wording import both_times, number, one_line, place, span, value_with_u
from tests.notify.scenario import D3, HOUR, SECOND, at, structure


@pytest.mark.parametrize(
    ("utc", "zone", "expected"),
    [
        # The night of 31 October 2027 has the hour 02:00-03:00 twice.
        ("2027-10-31T00:30:00+00:00", "Europe/Oslo", "2027-10-31 02:30:00 +02:00 (00:30:00 UTC)"),
        ("2027-10-31T01:30:00+00:00", "Europe/Oslo", "2027-10-31 02:30:00 +01:00 (01:30:00 UTC)"),
        # On 28 March 2027 the clock goes from 02:00 to 03:00.
        ("2027-03-28T00:59:59+00:00", "Europe/Oslo", "2027-03-28 01:59:59 +01:00 (00:59:59 UTC)"),
        ("2027-03-28T01:00:00+00:00", "Europe/Oslo", "2027-03-28 03:00:00 +02:00 (01:00:00 UTC)"),
        # Another day on the clock than in UTC, half hours, and west of Greenwich.
        (
            "2027-06-30T22:30:00+00:00",
            "Europe/Oslo",
            "2027-07-01 00:30:00 +02:00 (2027-06-30 22:30:00 UTC)",
        ),
        ("2027-01-10T10:00:00+00:00", "Asia/Kolkata", "2027-01-10 15:30:00 +05:30 (10:00:00 UTC)"),
        (
            "2027-01-10T12:00:00+00:00",
            "America/St_Johns",
            "2027-01-10 08:30:00 -03:30 (12:00:00 UTC)",
        ),
    ],
)
def test_both_times_tell_local_offset_and_utc(utc: str, zone: str, expected: str) -> None:
    """A time is told on the site's clock with its offset and in UTC, also when clocks change."""
    told = both_times(at(utc), zone)

    assert told == expected


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (412.3, 9.0, "+412 ± 18 µm/m"),
        (-391.26, 0.6, "-391.3 ± 1.2 µm/m"),
        (0.04, 9.0, "0 ± 18 µm/m"),
        (1234.5, 61.7, "+1230 ± 120 µm/m"),
        (0.012342, 0.00012, "+0.01234 ± 0.00024 µm/m"),
        # 2u = 9.96 rounds up to 10, which has its two digits before the point.
        (50.04, 4.98, "+50 ± 10 µm/m"),
        (412.3, None, "+412.3 µm/m (uncertainty not known)"),
        (412.3, float("nan"), "+412.3 µm/m (uncertainty not known)"),
        (412.3, float("inf"), "+412.3 µm/m (uncertainty not known)"),
        (float("inf"), 9.0, "+infinite µm/m (uncertainty not known)"),
        (float("nan"), 9.0, "no value"),
        (None, None, "no value"),
    ],
)
def test_value_with_u_shows_two_digits_of_u95(
    value: float | None, u: float | None, expected: str
) -> None:
    """U95 = 2u stands with two digits and the value is rounded to the same place."""
    told = value_with_u(value, u, "µm/m")

    assert told == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(400.0, "+400"), (-0.35, "-0.35"), (0.0, "0"), (-0.0, "0"), (1e-7, "+0.0000001")],
)
def test_number_carries_its_sign(value: float, expected: str) -> None:
    """A number shows its sign, zero has none, and no exponent appears."""
    told = number(value)

    assert told == expected


@pytest.mark.parametrize(
    ("length", "expected"),
    [
        (0, "0 s"),
        (40 * SECOND, "40 s"),
        (12 * 60 * SECOND, "12 min"),
        (76 * HOUR + 59 * SECOND, "3 d 4 h"),
        (-5 * SECOND, "5 s"),
    ],
)
def test_span_names_its_two_largest_units(length: int, expected: str) -> None:
    """A length of time is told in at most two units."""
    told = span(length)

    assert told == expected


@pytest.mark.parametrize(
    "hostile",
    [
        "D3\r\nBcc: all@elsewhere.example",
        "D3\nBcc: all@elsewhere.example",
        "D3\u2028Bcc: all@elsewhere.example",
        "D3\x00\x85Bcc: all@elsewhere.example",
        "D3\u202eBcc: all@elsewhere.example",
        "D3\ud800Bcc: all@elsewhere.example",
    ],
)
def test_one_line_is_one_line_whatever_it_is_given(hostile: str) -> None:
    """Whatever breaks a line or turns the reading direction becomes a blank."""
    told = one_line(hostile)

    assert told == "D3 Bcc: all@elsewhere.example"


def test_place_names_structure_member_point_position_and_direction() -> None:
    """A reader who never saw the drawing finds the place."""
    told = place(structure(), "D3")

    assert told == (
        "Quillmere deck; member girder G2; point D3; x = 12.5 m, y = 0 m, z = -0.85 m; "
        "direction along the girder"
    )


def test_place_says_what_is_not_known() -> None:
    """A missing position and a point that is no longer configured are said, not left out."""
    bare = D3.model_copy(update={"x_m": None, "y_m": None, "z_m": None, "direction": ""})
    without = place(structure(points=(bare,)), "D3")
    gone = place(structure(), "D9")

    assert without == "Quillmere deck; member girder G2; point D3; position not recorded"
    assert gone == "Quillmere deck, point D9 (not in the configuration)"
