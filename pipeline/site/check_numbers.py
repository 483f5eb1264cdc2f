"""
Single numbers that must be positive, not negative or in order, wherever they stand.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from pipeline.errors import Mistake
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup

_POSITIVE = {
    "channel": ("interval_s",),
    "point": (
        "modulus_gpa", "rate_per_s", "flat_s", "gap_s", "spike_height", "noise_s", "noise_low",
        "noise_high", "companion_um_m", "leakage_drop", "clock_intervals",
    ),
    "placement": (
        "climate_age_s", "nominal_ohm", "leakage_ohm", "meter_ohm", "reference_ohm", "shunt_ohm",
    ),
    "rule": ("respond_within_min", "after_s"),
    "storage": (
        "seal_every_min", "group_commit_ms", "quarantine_mb", "future_tolerance_s", "oldest_days",
    ),
    "broker": ("session_expiry_h",),
    "mail": ("timeout_s",),
}  # fmt: skip
_NOT_NEGATIVE = {
    "point": ("flat_tolerance",),
    "placement": ("unstrained_u", "lead_ohm", "lead_temperature_u_k", "warm_up_s"),
    "rule": ("deadband", "on_delay_s", "off_delay_s"),
    "storage": (
        "final_after_min", "settle_s", "keep_raw_days", "keep_results_days", "keep_summary_days",
        "keep_superseded_days", "minimum_free_mb",
    ),
    "zero": ("offset_delta_u",),
}  # fmt: skip
_IN_ORDER = {
    "channel": (("rail_low", "rail_high"),),
    "point": (("gross_low", "gross_high"), ("noise_low", "noise_high")),
}
_WITHIN = {
    "broker": (("port", 1, 65535), ("receive_maximum", 1, 65535)),
    "mail": (("port", 1, 65535),),
    "placement": (
        ("unstrained_humidity_rh", 0, 100),
        ("unstrained_temperature_c", -60, 120),
        ("lead_temperature_c", -60, 120),
    ),
}
# Below this an expansion in 1e-6/K was surely written in 1/K.
_SMALLEST_EXPANSION = 1e-3


def check_numbers(lookup: Lookup) -> Iterator[Mistake]:
    """Each number has the sign and the order that its meaning asks for; empty cells are passed."""
    for kind, located in _all(lookup):
        for key in _POSITIVE.get(kind, ()):
            value = getattr(located.item, key)
            if value is not None and value <= 0:
                remedy = "Write a number above 0."
                yield located.mistake(key, _shown(value), "a number above 0", remedy)
        for key in _NOT_NEGATIVE.get(kind, ()):
            value = getattr(located.item, key)
            if value is not None and value < 0:
                remedy = "Write 0 or a number above."
                yield located.mistake(key, _shown(value), "a number not below 0", remedy)
        for key, low, high in _WITHIN.get(kind, ()):
            value = getattr(located.item, key)
            if value is not None and not low <= value <= high:
                remedy = "Mend the number, and look at its unit."
                yield located.mistake(key, _shown(value), f"{low} to {high}", remedy)
        for low_key, high_key in _IN_ORDER.get(kind, ()):
            yield from _order(located, low_key, high_key)


def check_expansions(lookup: Lookup) -> Iterator[Mistake]:
    """Expansions stand in 1e-6/K: 12 for steel, not 12e-6."""
    groups: tuple[Sequence[Located[Any]], ...] = (lookup.parts.structures, lookup.parts.points)
    for located in (one for group in groups for one in group):
        value = located.item.expansion_1e6_per_k
        if value is not None and value != 0 and abs(value) < _SMALLEST_EXPANSION:
            remedy = "Write it in 1e-6/K: 12.0 for steel of 12e-6/K."
            expected = "an expansion in 1e-6/K"
            yield located.mistake("expansion_1e6_per_k", f"{value:g}", expected, remedy)


def _shown(value: float) -> str:
    # A whole number may have more digits than a float holds.
    return f"{value:g}" if isinstance(value, float) else str(value)[:20]


def _order(located: Located[Any], low_key: str, high_key: str) -> Iterator[Mistake]:
    low, high = getattr(located.item, low_key), getattr(located.item, high_key)
    if low is not None and high is not None and low >= high:
        found, expected = (
            f"{low_key} {low:g} and {high_key} {high:g}",
            f"{low_key} below {high_key}",
        )
        yield located.mistake(low_key, found, expected, "Mend one of the two.")


def _all(lookup: Lookup) -> Iterator[tuple[str, Located[Any]]]:
    parts = lookup.parts
    groups: tuple[tuple[str, Sequence[Located[Any] | None]], ...] = (
        ("broker", (parts.broker,)),
        ("storage", (parts.storage,)),
        ("mail", (parts.mail,)),
        ("channel", parts.channels),
        ("point", parts.points),
        ("placement", parts.placements),
        ("rule", parts.rules),
        ("zero", parts.zeros),
    )
    for kind, group in groups:
        for located in group:
            if located is not None:
                yield kind, located
