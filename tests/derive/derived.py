"""
Rosettes and sections on the invented footbridge, and readings that their gauges would show.

Gauges are four-wire, 10 kΩ unstrained, of constant factor 2, so that δ = 2·ε by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.blocks import Readings, Results
from pipeline.derive.chain import compile_plan
from pipeline.derive.gauges import Plan
from pipeline.site.derived_points import Rosette, Section
from pipeline.site.models import Calibration, Curve, Placement, Zero
from tests.derive.examples import calibration, placement, structure
from tests.derive.streams import floats, readings

Floats = npt.NDArray[np.float64]

FACTOR = 2.0
WELL_KNOWN = 1e9
"""Degrees of freedom of an estimate that counts as known."""


def line(**changes: Any) -> Curve:
    """A line of factor 2, known exactly, read exactly; `changes` are fields of the model."""
    fields: dict[str, Any] = {
        "kind": "line",
        "coefficients": (FACTOR,),
        "range_um_m": (-3000.0, 3000.0),
        "covariance": ((0.0,),),
        "degrees_of_freedom": WELL_KNOWN,
    }
    return Curve(**{**fields, **changes})


def sheet(identity: str = "line", curve: Curve | None = None, **changes: Any) -> Calibration:
    """A batch calibration with that line."""
    return calibration(identity, line() if curve is None else curve, **changes)


def gauge(serial: str, **changes: Any) -> Placement:
    """A gauge whose unstrained value is known exactly, at 20 °C."""
    return placement(serial, **{"calibration": "line", **changes})


def rosette(**changes: Any) -> Rosette:
    """Rectangular, of the points of A, B and C."""
    fields: dict[str, Any] = {
        "id": "ros",
        "structure": "footbridge",
        "layout": "rectangular",
        "point_a": "P-A",
        "point_b": "P-B",
        "point_c": "P-C",
        "join_age_s": 90.0,
    }
    return Rosette(**{**fields, **changes})


def section(**changes: Any) -> Section:
    """The section "mid" bent about y, axial strain at z = 0."""
    fields: dict[str, Any] = {
        "id": "sec",
        "structure": "footbridge",
        "section": "mid",
        "reference_z_m": 0.0,
        "join_age_s": 90.0,
    }
    return Section(**{**fields, **changes})


def derived_plan(
    gauges: tuple[Placement, ...],
    *,
    rosettes: tuple[Rosette, ...] = (),
    sections: tuple[Section, ...] = (),
    sheets: tuple[Calibration, ...] = (),
    zeros: tuple[Zero, ...] = (),
    places: Mapping[str, tuple[float, float]] | None = None,
    **point: Any,
) -> Plan:
    """The plan of these; `places` gives points of the section "mid" their (y, z) in m."""
    of = places or {}
    points: dict[str, dict[str, Any]] = {one.point: dict(point) for one in gauges}
    for name, (y, z) in of.items():
        points[name] |= {"y_m": y, "z_m": z, "section": "mid"}
    whole = structure(gauges, zeros, sheets or (sheet(),), points=points)
    return compile_plan(whole.model_copy(update={"rosettes": rosettes, "sections": sections}))


def shown(
    strains: Mapping[str, npt.ArrayLike], seconds: npt.ArrayLike, **climate: npt.ArrayLike
) -> Readings:
    """Readings of gauges [µm/m; NaN: an open circuit] and of climate channels at equal times."""
    made: dict[str, tuple[npt.ArrayLike, npt.ArrayLike]] = {}
    at = np.asarray(seconds, np.float64)
    for name, values in strains.items():
        strain = np.broadcast_to(np.asarray(values, np.float64), at.shape)
        ohm = 10_000.0 * (1.0 + FACTOR * 1e-6 * strain)
        made[name] = (at, np.where(np.isnan(strain), 1e9, ohm))
    made |= {name: (at, np.broadcast_to(v, at.shape)) for name, v in climate.items()}
    return readings(made)


def column(results: Results, point: str, quantity: str, name: str = "value") -> Floats:
    """A column of one quantity of a point, in the order of time."""
    rows = np.ones(len(results), bool)
    for key, wanted in (("point", point), ("quantity", quantity)):
        names = results.table.column(key).unify_dictionaries().combine_chunks()
        rows &= np.asarray(names.indices) == names.dictionary.to_pylist().index(wanted)
    return floats(results, name)[rows]
