"""
The curve of a calibration: right number of figures, monotone in its range, a real covariance.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.errors import Mistake
from pipeline.physics.curve import monotone_curve
from pipeline.site.located import Located
from pipeline.site.lookup import Lookup
from pipeline.site.models import Calibration, Curve

_COEFFICIENTS = {"line": 1, "quadratic": 2, "cubic": 3}
# Of a correlation matrix, whose largest eigenvalue is at least 1: rounding of printed figures.
_ROUNDING = 1e-6
_WIDEST_UM_M = 1e6
"""As much strain as the member is long: no bench reaches so far."""
_LEVEL = 1e-3
"""Share of the steepest tangent below which a curve is level: saturation is long past."""


def check_curves(lookup: Lookup) -> Iterator[Mistake]:
    """Each strain calibration has a usable curve."""
    for calibration in lookup.parts.calibrations:
        curve = calibration.item.curve
        if curve is None:
            continue
        yield from _range_mistakes(calibration, curve)
        shape = list(_shape_mistakes(calibration, curve))
        yield from shape
        if not shape:
            yield from _monotone_mistakes(calibration, curve)
            yield from _covariance_mistakes(calibration, curve)
        yield from _figure_mistakes(calibration, curve)


def _range_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    low, high = curve.range_um_m
    found = f"{low:g} to {high:g} µm/m"
    if not low < high:
        remedy = "Write the compression end first, then the tension end."
        yield calibration.mistake("curve.range_um_m", found, "a range that is not empty", remedy)
    elif not low <= 0 <= high:
        remedy = "Write the range that the bench reached; an end it never reached is 0."
        yield calibration.mistake("curve.range_um_m", found, "a range that contains 0", remedy)
    elif high - low < 1 or high - low > _WIDEST_UM_M:
        remedy = "Write it in µm/m: 0.0014 is 1400."
        yield calibration.mistake("curve.range_um_m", found, "a range in µm/m", remedy)


def _shape_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    wanted = _COEFFICIENTS.get(curve.kind, 0)
    if len(curve.coefficients) != wanted:
        found = f"{len(curve.coefficients)} coefficients"
        remedy = "Write those of ε, ε², ε³ (m/m) in that order; a monotone curve has knots instead."
        expected = f"{wanted} for a {curve.kind} curve"
        yield calibration.mistake("curve.coefficients", found, expected, remedy)
    strains, deltas = curve.knots_strain_um_m, curve.knots_delta
    if curve.kind != "monotone" and (strains or deltas):
        remedy = 'Take them out, or write kind = "monotone".'
        expected = f"no knots for a {curve.kind} curve"
        yield calibration.mistake("curve.knots_delta", "knots", expected, remedy)
        return
    if curve.kind == "monotone" and (len(strains) != len(deltas) or len(strains) < 2):
        found = f"{len(strains)} strains and {len(deltas)} deltas"
        remedy = "Write one delta for each strain."
        expected = "at least 2 knots, as many strains as deltas"
        yield calibration.mistake("curve.knots_delta", found, expected, remedy)
        return
    count = len(deltas) if curve.kind == "monotone" else wanted
    rows = [len(row) for row in curve.covariance]
    if rows != [count] * count:
        found = f"{len(rows)} rows of {', '.join(str(n) for n in sorted(set(rows))) or 'nothing'}"
        remedy = "Write the covariance of the figures of the fit, row by row."
        expected = f"{count} rows of {count}"
        yield calibration.mistake("curve.covariance", found, expected, remedy)


def _monotone_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    if curve.kind == "monotone":
        told = list(_knot_mistakes(calibration, curve))
        yield from told or _tangent_mistakes(calibration, curve)
        return
    tangents = _extreme_tangents(curve)
    # A gauge whose resistance falls in tension is a gauge too: one sign all the way is enough.
    sign = -1.0 if curve.coefficients[0] < 0 else 1.0
    factor, strain = min((sign * factor, strain) for factor, strain in tangents)
    if not factor > 0:
        found = f"a curve with tangent factor {sign * factor:.3g} at {strain:g} µm/m"
        expected = "a curve that rises, or falls, everywhere in its range"
        remedy = "End the range before the curve turns, or look at the units: ε is in m/m."
        yield calibration.mistake("curve.coefficients", found, expected, remedy)


def _extreme_tangents(curve: Curve) -> list[tuple[float, float]]:
    """
    F′(ε) = c1 + 2·c2·ε + 3·c3·ε² where it can be extreme in the range, and the strain [µm/m].

    A parabola has its extremes at the ends of the range and at its vertex.
    """
    c1, c2, c3 = (*curve.coefficients, 0.0, 0.0)[:3]
    low, high = sorted(curve.range_um_m)
    places = [low, high]
    if c3 != 0:
        vertex = -c2 / (3 * c3) * 1e6
        places += [vertex] if low < vertex < high else []
    # x * x, since x ** 2 raises where a mistyped range is too large for a float.
    return [(c1 + 2 * c2 * x + 3 * c3 * x * x, x * 1e6) for x in (e * 1e-6 for e in places)]


def _knot_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    strains, deltas = curve.knots_strain_um_m, curve.knots_delta
    falls = deltas[-1] < deltas[0]
    turned = tuple(-delta for delta in deltas) if falls else deltas
    for key, values in (("curve.knots_strain_um_m", strains), ("curve.knots_delta", turned)):
        at = next((i for i in range(1, len(values)) if values[i] <= values[i - 1]), None)
        if at is not None:
            shown = strains if values is strains else deltas
            found = f"{shown[at]:g} after {shown[at - 1]:g}"
            remedy = "Sort the knots; where delta stops rising the gauge is saturated: end there."
            yield calibration.mistake(key, found, "values in one direction", remedy)
    if 0.0 not in strains or deltas[strains.index(0.0)] != 0.0:
        remedy = "Add the knot 0, 0: delta counts from the unstrained value."
        found, expected = "no knot 0, 0", "a knot with strain 0 and delta 0"
        yield calibration.mistake("curve.knots_delta", found, expected, remedy)
    low, high = curve.range_um_m
    if low < strains[0] or high > strains[-1]:
        found = f"{low:g} to {high:g} µm/m"
        expected = f"a range inside the knots, {strains[0]:g} to {strains[-1]:g}"
        remedy = "Shorten the range to what the bench reached."
        yield calibration.mistake("curve.range_um_m", found, expected, remedy)


def _tangent_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    knots = [strain * 1e-6 for strain in curve.knots_strain_um_m]
    low, high = (end * 1e-6 for end in curve.range_um_m)
    if not low < high:
        return
    try:
        smooth = monotone_curve(knots, curve.knots_delta, low, high)
    except ValueError as error:
        fault = str(error)
    else:
        # The end tangent carries every reading beyond the range: level, it would send it to ∞.
        steepest = float(np.max(np.abs(smooth.slope(knots))))
        fault = "a curve that runs level" if smooth.smallest_slope < _LEVEL * steepest else ""
    if fault:
        remedy = "Look at the knots at the ends; where delta hardly rises the range must end."
        expected = "knots through which a curve runs that is nowhere level"
        yield calibration.mistake("curve.knots_delta", fault, expected, remedy)


def _covariance_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    matrix = np.array(curve.covariance, dtype=np.float64)
    fault = _covariance_fault(matrix)
    if fault:
        expected = "a symmetric matrix without negative eigenvalues"
        remedy = "Copy the covariance from the bench report with all its digits."
        yield calibration.mistake("curve.covariance", fault, expected, remedy)


def _covariance_fault(matrix: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> str:
    variance = np.diag(matrix)
    if np.any(variance < 0):
        return f"a negative variance, {variance.min():g}"
    # Coefficients of ε and ε³ differ by many powers of ten: judge correlations, not the matrix.
    scale = np.where(variance > 0, np.sqrt(variance), 1.0)
    correlation = matrix / np.outer(scale, scale)
    if np.any(np.abs(correlation - correlation.T) > _ROUNDING):
        return "a matrix that is not symmetric"
    least = float(np.linalg.eigvalsh(correlation).min())
    if least < -_ROUNDING:
        return f"a matrix whose correlations have the eigenvalue {least:.3g}"
    return ""


def _figure_mistakes(calibration: Located[Calibration], curve: Curve) -> Iterator[Mistake]:
    if not curve.degrees_of_freedom > 0:
        found, remedy = f"{curve.degrees_of_freedom:g}", "Copy it from the bench report."
        yield calibration.mistake("curve.degrees_of_freedom", found, "a number above 0", remedy)
    if curve.gauges < 1:
        found, remedy = f"{curve.gauges}", "Write on how many gauges the curve was found."
        yield calibration.mistake("curve.gauges", found, "at least 1", remedy)
    for key in ("between_gauges", "reading_u"):
        value = getattr(curve, key)
        if value < 0:
            remedy = "Write 0 or a number above."
            yield calibration.mistake(f"curve.{key}", f"{value:g}", "not below 0", remedy)
