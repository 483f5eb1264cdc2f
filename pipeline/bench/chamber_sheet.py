"""
Thermal output from the data sheet of a foil lot, as another source than a chamber run.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pipeline.errors import ConfigError, Mistake
from pipeline.site.models import Temperature

_MOST_UM_M_PER_K = 200.0
_LEAST_FACTOR, _MOST_FACTOR = 0.5, 10.0
_MOST_EXPANSION = 100.0


def thermal_from_sheet(
    output_um_m: Sequence[float],
    *,
    factor: float,
    expansion_1e6_per_k: float,
    yields: Literal["mechanical", "total"],
    range_c: tuple[float, float],
    about_c: float,
    reference_temperature_c: float,
    u_um_m_per_k: float,
    factor_per_k: float = 0.0,
    factor_per_k_u: float = 0.0,
    sensor_u_k: float = 0.2,
    file: str = "bench.toml",
) -> Temperature:
    """
    The temperature table of a calibration from a maker's sheet.

    Args:
        output_um_m: thermal output in µm/m per (T - about_c)ⁱ, i from 0 or 1: a sheet's constant
            drops out.  Give it from i = 1.
        factor: gauge factor at which the sheet states it.
        expansion_1e6_per_k: α of the material on which it was measured.
        yields: strain that is left, as `Temperature.yields`.
        range_c: where the sheet holds.
        about_c: temperature about which the polynomial is written.
        reference_temperature_c: of the calibration; the polynomial is moved there exactly.
        u_um_m_per_k: standard uncertainty of the slope (sheets often state 0.3 to 0.5 for k = 2).
        factor_per_k, factor_per_k_u: c_k [1/K]; a sheet's "1 % per 100 K" is 1e-4.
        sensor_u_k: standard uncertainty of the temperature channel in the field [K].
        file: named in mistakes.

    Raises:
        ConfigError: a figure that can only be in another unit, or an empty range.
    """
    mistakes = [
        *_coefficient_mistakes(output_um_m, file),
        *_figure_mistakes(factor, expansion_1e6_per_k, u_um_m_per_k, factor_per_k, file),
    ]
    low, high = range_c
    if not low < high or not low <= reference_temperature_c <= high:
        expected = f"a range that holds the reference, {reference_temperature_c:g} °C"
        remedy = "Write the range of the sheet in °C, lower end first."
        mistakes.append(Mistake(file, "sheet.range_c", f"{low:g} to {high:g}", expected, remedy))
    if mistakes:
        raise ConfigError(tuple(mistakes))
    return Temperature(
        output_um_m=moved(output_um_m, reference_temperature_c - about_c),
        output_factor=factor,
        output_expansion_1e6_per_k=expansion_1e6_per_k,
        yields=yields,
        factor_per_k=factor_per_k,
        factor_per_k_u=factor_per_k_u,
        output_u_per_k=factor * u_um_m_per_k * 1e-6,
        range_c=range_c,
        sensor_u_k=sensor_u_k,
    )


def moved(coefficients: Sequence[float], by: float) -> tuple[float, ...]:
    """
    Σ c_i·xⁱ (i from 1) written about x = `by`, without its constant.

    By repeated synthetic division (Taylor shift), exact to rounding.
    """
    values = [0.0, *coefficients]
    for first in range(len(values) - 1):
        for i in range(len(values) - 2, first - 1, -1):
            values[i] += by * values[i + 1]
    return tuple(values[1:])


def _coefficient_mistakes(output_um_m: Sequence[float], file: str) -> list[Mistake]:
    place = "sheet.output_um_m"
    if not output_um_m:
        remedy = "Copy the polynomial of the sheet, from the coefficient of T on."
        return [Mistake(file, place, "an empty list", "coefficients in µm/m per Kⁱ", remedy)]
    largest = abs(output_um_m[0])
    if largest > _MOST_UM_M_PER_K:
        found = f"{output_um_m[0]:g} µm/m per K"
        remedy = "Leave out the constant of the sheet's polynomial: the list begins with T¹."
        return [Mistake(file, place, found, f"up to {_MOST_UM_M_PER_K:g} µm/m per K", remedy)]
    if 0.0 < max(abs(c) for c in output_um_m) < 1e-4:
        found = f"figures up to {max(abs(c) for c in output_um_m):g}"
        remedy = "Write them in µm/m: a sheet in m/m or in 1/K is a million times smaller."
        return [Mistake(file, place, found, "µm/m per Kⁱ", remedy)]
    return []


def _figure_mistakes(
    factor: float, expansion: float, u: float, factor_per_k: float, file: str
) -> list[Mistake]:
    checks = (
        ("factor", factor, _LEAST_FACTOR, _MOST_FACTOR, "gauge factor", "Write 2.0 for foil."),
        (
            "expansion_1e6_per_k",
            expansion,
            0.1,
            _MOST_EXPANSION,
            "1e-6/K",
            "Write 12.0 for steel.",
        ),
        ("u_um_m_per_k", u, 0.0, 50.0, "µm/m per K", "Halve the sheet's k = 2 figure."),
        ("factor_per_k", factor_per_k, -0.005, 0.005, "1/K", "Write 1e-4 for 1 % per 100 K."),
    )
    return [
        Mistake(file, f"sheet.{key}", f"{value:g}", f"{low:g} to {high:g} {unit}", remedy)
        for key, value, low, high, unit, remedy in checks
        if not low <= value <= high
    ]
