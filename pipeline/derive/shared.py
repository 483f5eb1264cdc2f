"""
Several active arms: what climate and age give to all of them alike changes the gain, no more.

The bridge shows ratios of its arms, so that A(T), H(w) and ageing cancel but for their size:
arm i is proportional to 1 + h·F(a_i·ε) with h = g/(1 + C + R_L/R0), see `physics.arms`. Here C and
c_k are turned into effects on δ that come off one after the other like any other's: second-order
ones for A, H and ageing (C times the load), and that of c_k, which acts in every arm. Creep acts
on what the bridge makes of its loads, exact for a constant factor; for a bent curve what is left
out is the creep of the part that the arms have in common, below 1e-3 of the creep itself.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.block import Block
from pipeline.derive.gauges import Shared, StrainModel
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.creep import ageing_progress
from pipeline.physics.environment import polynomial, polynomial_slope
from pipeline.physics.uncertainty import Component

_GRID = 65
_INF = float("inf")


def shared_effects(
    block: Block, model: StrainModel, zero: Floats | None
) -> tuple[dict[str, Floats], Floats, Floats]:
    """
    Effects of c_k, climate and age on δ, by term; the load as it shows; and its gain.

    Args:
        block: with `delta`, `temperature` and, where there is a film, `film_moisture`.
        model: of several active arms.
        zero: the additive offset in δ; None: none yet.

    Returns:
        effects, NaN where climate is not known (it counts as none); load, whose sum with the
        effects and the offset is δ; gain, by which δ follows the load.
    """
    curve, delta = model.curve, block["delta"]
    if not isinstance(curve, BridgeCurve) or model.shared is None:
        raise ValueError("a gauge of one active arm shares nothing with another")
    rest = delta if zero is None else delta - zero
    common, warmth = _common(block, model, model.shared), _warmth(block, model)
    sensitivity, taken = np.ones(len(block)), np.zeros(len(block))
    effects: dict[str, Floats] = {}
    load, gain = rest, np.ones(len(block))
    for name in ("thermal_output", "sensitivity", "moisture", "ageing"):
        amount = warmth if name == "sensitivity" else common.get(name)
        if amount is None:
            continue
        known = np.where(np.isnan(amount), 0.0, amount)
        if name == "sensitivity":
            sensitivity = sensitivity + known
        else:
            taken = taken + known
        gain = curve.gain_of(sensitivity, taken)
        after = curve.delta(curve.inverse(rest, gain))
        effects[name] = np.where(np.isnan(amount), np.nan, load - after)
        load = after
    return effects, load, gain


def shared_slope(block: Block, model: StrainModel) -> Floats:
    """What a kelvin of the thermometer does to δ through A, -A'(T)·L; 0 for one active arm."""
    if model.shared is None:
        return np.zeros(len(block))
    change = block["temperature"] - model.thermal.reference_c
    return np.asarray(-polynomial_slope(model.shared.output, change) * block["shown_load"])


def shared_span(model: StrainModel, load: Floats) -> Floats:
    """The most that A can do to δ over the chamber's range, |A|·|L|; 0 for one active arm."""
    if model.shared is None:
        return np.zeros(len(load))
    grid = np.linspace(*model.thermal.range_c, _GRID) - model.thermal.reference_c
    most = float(np.max(np.abs(polynomial(model.shared.output, grid))))
    return np.asarray(most * np.abs(load))


def shared_parts(block: Block, model: StrainModel) -> dict[str, Component]:
    """Variance of δ from how well A, H, w and ageing are known, as one component of second order;
    empty for one active arm."""
    shared, film = model.shared, model.film
    if shared is None:
        return {}
    load = block["shown_load"]
    parts = np.zeros(len(block))
    if shared.output_u and shared.output:
        change = block["temperature"] - model.thermal.reference_c
        left = shared.output_u * polynomial(shared.output, change)
        parts = parts + np.where(np.isnan(left), 0.0, left**2)
    if film is not None:
        above = block["film_moisture"] - film.reference
        slope_u = polynomial_slope(film.output, above) * block["film_moisture_u"]
        variance = slope_u**2 + (film.output_u * polynomial(film.output, above)) ** 2
        grid = np.linspace(0.0, 1.0, _GRID) - film.reference
        spanned = float(np.max(np.abs(polynomial(film.output, grid)))) ** 2 / 3.0
        parts = parts + np.where(np.isnan(above), spanned, variance)
    if shared.ageing is not None:
        parts = parts + (shared.ageing.per_year_u * _progress(block, shared)) ** 2
    return {"shared_climate": (parts * load**2, _INF)}


def _common(block: Block, model: StrainModel, shared: Shared) -> dict[str, Floats]:
    """δ that climate and age give to every arm, by term."""
    common: dict[str, Floats] = {}
    if any(shared.output):
        change = block["temperature"] - model.thermal.reference_c
        common["thermal_output"] = polynomial(shared.output, change)
    if model.film is not None:
        above = block["film_moisture"] - model.film.reference
        common["moisture"] = polynomial(model.film.output, above)
    if shared.ageing is not None:
        common["ageing"] = shared.ageing.per_year * _progress(block, shared)
    return common


def _warmth(block: Block, model: StrainModel) -> Floats | None:
    factor = model.thermal.factor_per_k
    return factor * (block["temperature"] - model.thermal.reference_c) if factor else None


def _progress(block: Block, shared: Shared) -> Floats:
    if shared.ageing is None:
        return np.zeros(len(block))
    age = (block.time - shared.ageing.start_us) * 1e-6
    return np.asarray(ageing_progress(age, shared.ageing.kind))
