"""
Numbers, times and places as people read them in a notice: with unit, sign, zone and direction.

Everything that came from a configuration or a person goes through `one_line`, since gauge and
point names end in mail headers and log lines.
"""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from pipeline.site.models import Point, Structure

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECONDS = 1_000_000


def one_line(text: str) -> str:
    """
    `text` with every run of control, format or line-separating characters as one blank.

    A newline in a name would otherwise begin a new mail header or log line; a bidirectional
    override (Unicode category Cf) would show a name that is not the one in the configuration.
    """
    clean = (" " if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") else c for c in text)
    return " ".join("".join(clean).split())


def both_times(time_us: int, zone: str) -> str:
    """
    A time [µs since 1970 UTC] on the site's clock with its UTC offset, and in UTC.

    For example `2027-07-01 14:03:05 +02:00 (12:03:05 UTC)`; the date stands in the brackets too
    when it differs. The offset tells the two hours of an autumn night apart.
    """
    utc = EPOCH + timedelta(microseconds=time_us)
    local = utc.astimezone(ZoneInfo(zone))
    minutes = round((local.utcoffset() or timedelta()).total_seconds() / 60)
    offset = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    in_utc = utc.strftime("%H:%M:%S" if utc.date() == local.date() else "%Y-%m-%d %H:%M:%S")
    return f"{local.strftime('%Y-%m-%d %H:%M:%S')} {offset} ({in_utc} UTC)"


def iso_utc(time_us: int) -> str:
    """A time [µs since 1970 UTC] as ISO 8601 with microseconds and `Z`."""
    return (EPOCH + timedelta(microseconds=time_us)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def span(microseconds: int) -> str:
    """A length of time in the two largest units that it fills: `3 d 4 h`, `12 min`, `40 s`."""
    left = abs(microseconds) // MICROSECONDS
    parts = []
    for seconds, unit in ((86400, "d"), (3600, "h"), (60, "min"), (1, "s")):
        count, left = divmod(left, seconds)
        if count:
            parts.append(f"{count} {unit}")
    return " ".join(parts[:2]) or "0 s"


def number(value: float, decimals: int | None = None) -> str:
    """
    A signed number: `+412`, `-0.35`, `0`; "not a number" for NaN, "infinite" with its sign.

    Args:
        value: in any unit.
        decimals: digits after the point, negative rounds before it; None: six significant digits.
    """
    if math.isnan(value):
        return "not a number"
    if math.isinf(value):
        return f"{'+' if value > 0 else '-'}infinite"
    if decimals is None:
        text = f"{Decimal(f'{value:.6g}'):+f}"
    else:
        text = f"{round(value, decimals):+.{max(decimals, 0)}f}"
    return "0" if not text.strip("+-0.") else text


def value_with_u(value: float | None, u: float | None, unit: str) -> str:
    """
    `+412 ± 18 µm/m`: the value and its expanded uncertainty U95 = 2u, to two digits of U95.

    Args:
        value: in `unit`; None or NaN: "no value".
        u: standard uncertainty stated as U95/2, as the value; None, NaN or 0: not stated.
        unit: of both.

    Ref: JCGM 100:2008, 7.2.6: two significant digits of the uncertainty, value to the same place.
    """
    if value is None or math.isnan(value):
        return "no value"
    if u is None or not math.isfinite(2 * u) or u <= 0 or math.isinf(value):
        return f"{number(value)} {unit} (uncertainty not known)".replace("  ", " ")
    decimals = decimals_of(u)
    expanded = float(f"{2 * u:.1e}")
    return f"{number(value, decimals)} ± {number(expanded, decimals).lstrip('+')} {unit}".rstrip()


def decimals_of(u: float | None) -> int | None:
    """Digits after the point that `u` leaves meaning to, as in `value_with_u`; None: not known."""
    if u is None or not math.isfinite(2 * u) or u <= 0:
        return None
    return 1 - math.floor(math.log10(float(f"{2 * u:.1e}")))


def sense(value: float | None, quantity: str) -> str:
    """` (tension)` or ` (compression)` for a strain other than 0, else empty."""
    if quantity != "strain" or value is None or math.isnan(value) or value == 0:
        return ""
    return " (tension)" if value > 0 else " (compression)"


def place(structure: Structure, point: str) -> str:
    """Where on the structure: name, member, point, position [m] and direction, in one line."""
    found = point_named(structure, point)
    name = one_line(structure.name)
    if found is None:
        return f"{name}, point {one_line(point)} (not in the configuration)" if point else name
    axes = (("x", found.x_m), ("y", found.y_m), ("z", found.z_m))
    position = ", ".join(f"{axis} = {at:g} m" for axis, at in axes if at is not None)
    parts = [name, f"member {one_line(found.member)}", f"point {one_line(found.id)}"]
    parts.append(position or "position not recorded")
    if found.direction:
        parts.append(f"direction {one_line(found.direction)}")
    return "; ".join(parts)


def point_named(structure: Structure, point: str) -> Point | None:
    """The point with this id, or None."""
    return next((one for one in structure.points if one.id == point), None)
