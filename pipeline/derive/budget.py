"""
Uncertainty of each strain, component by component (JCGM 100, first order), stated as U95/2.

Components are variances of δ. What one cause does along several ways (a thermometer through
A(T), c_k and the expansion) is added up with its signs first. The constant part of δ is known
either from the unstrained value or, once there is a zero, from the zero; what curve, thermometer,
the model of the climate or that of age get wrong counts from there too (`since_zero`).
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.block import Block, Context
from pipeline.derive.correction import MICRO
from pipeline.derive.gauges import Segment, Spread, StrainModel
from pipeline.derive.shared import shared_parts, shared_slope, shared_span
from pipeline.derive.since_zero import (
    load_since_zero,
    moisture_since_zero,
    sensitivity_since_zero,
    slope_at_zero,
    weights_since_zero,
    zero_strain,
)
from pipeline.derive.state import GaugeState
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.creep import ageing_progress
from pipeline.physics.environment import polynomial, polynomial_slope
from pipeline.physics.uncertainty import Component, half_u95

_GRID = 65
_INF = float("inf")


def stage_uncertainty(
    block: Block, state: GaugeState, context: Context
) -> tuple[Block, GaugeState]:
    """Adds `u`, U95/2 of `value` [µm/m]; NaN where the reading failed."""
    slope = np.abs(context.strain.curve.slope(block["strain"])) * block["gain"]
    components = components_of(block, context.segment)
    u = half_u95(components.values(), len(block)) / slope * MICRO
    return block.with_columns(u=u), state


def components_of(block: Block, segment: Segment) -> dict[str, Component]:
    """
    Variance of δ and degrees of freedom of each component, by name.

    Divided by the squared tangent factor times `gain`, a variance is that of the strain.
    """
    model = segment.strain
    if model is None:
        raise ValueError("a linear sensor has no strain budget")
    slope = model.curve.slope(block["strain"])
    parts: dict[str, Component] = {"reading": (model.spread.reading_u**2, _INF)}
    parts |= _constant_part(model, segment)
    parts |= _curve_parts(block, model)
    parts["temperature"] = (_thermometer_variance(block, model, slope), _INF)
    parts |= _climate_model(block, model)
    parts |= shared_parts(block, model)
    if "lead_variance" in block.columns:
        parts["leads"] = (block["lead_variance"], _INF)
    if model.has_companion:
        parts["companion"] = (_companion_variance(block, model), _INF)
    if model.creep.fractions:
        parts["creep"] = (block["creep_variance"] * block["gain"] ** 2, model.creep.freedom)
    if model.ageing is not None:
        parts["ageing"] = (_ageing_variance(block, model), model.ageing.freedom)
    beyond = block["strain"] - np.clip(block["strain"], model.curve.lo, model.curve.hi)
    # How far the curve goes on straight is not known: the part beyond may be anything from
    # nothing to twice itself.
    parts["beyond_range"] = ((beyond * slope * block["gain"]) ** 2 / 3.0, _INF)
    return parts


def _constant_part(model: StrainModel, segment: Segment) -> dict[str, Component]:
    if model.zero is not None:
        return {"zero": (model.zero.offset_u**2, _INF)}
    u = 0.0 if segment.signal is None else segment.signal.unstrained_u
    return {"unstrained": (u**2, _INF)}


def curve_weights(strain: Floats, spread: Spread) -> list[Floats]:
    """How much of each coefficient or knot of the curve is in F(ε), each of shape (n,)."""
    if spread.knots is None:
        return [strain ** (i + 1) for i in range(len(spread.covariance))]
    # Between two knots the curve moves with both, by the share of the way between them.
    return [np.interp(strain, spread.knots, row) for row in np.eye(len(spread.knots))]


def load_weights(strain: Floats, model: StrainModel) -> list[Floats]:
    """`curve_weights` in the load of the model: of several arms those of each arm by its share."""
    if not isinstance(model.curve, BridgeCurve):
        return curve_weights(strain, model.spread)
    arms = [
        [share * weight for weight in curve_weights(a * strain, model.spread)]
        for a, share in model.curve.shares(strain)
    ]
    return [np.sum(weights, axis=0) for weights in zip(*arms, strict=True)]


def _curve_parts(block: Block, model: StrainModel) -> dict[str, Component]:
    spread = model.spread
    weights = curve_amounts(block, model)
    variance = np.zeros(len(block))
    for i, left in enumerate(weights):
        for j, right in enumerate(weights):
            if spread.covariance[i, j]:
                variance = variance + spread.covariance[i, j] * left * right
    parts: dict[str, Component] = {"curve": (np.maximum(variance, 0.0), spread.freedom)}
    if spread.between:
        load = load_since_zero(block, model)
        parts["between_gauges"] = ((spread.between * load) ** 2, spread.between_freedom)
    return parts


def curve_amounts(block: Block, model: StrainModel) -> list[Floats]:
    """How much of each figure of the curve is in δ, less that at the zero, each shape (n,)."""
    at_zero = load_weights(zero_strain(model), model)
    return weights_since_zero(load_weights(block["strain"], model), at_zero, block, model)


def _thermometer_variance(block: Block, model: StrainModel, slope: Floats) -> Floats:
    """One thermometer acts on A, on c_k and on the expansion at once; without it, all they span."""
    thermal, temperature = model.thermal, block["temperature"]
    if not thermal.is_needed:
        return np.zeros(len(block))
    variance = (temperature_slope(block, model, slope) * thermal.sensor_u) ** 2
    missing = np.isnan(temperature)
    if missing.any():
        toward = float(thermal.is_total) - float(model.watches_total)
        spanned = _unknown_temperature(model, block["shown_load"], slope, toward)
        variance = np.where(missing, spanned, variance)
    return np.asarray(variance)


def temperature_slope(block: Block, model: StrainModel, slope: Floats) -> Floats:
    """What an error of 1 K of the thermometer does to δ, with its sign; NaN without a reading."""
    thermal = model.thermal
    per_k = polynomial_slope(thermal.output, block["temperature"] - thermal.reference_c)
    per_k = per_k + thermal.factor_per_k * block["shown_load"] + shared_slope(block, model)
    # d(mechanical)/dT = -A'/F' - α where the compensation yields total, d(total)/dT has + α.
    toward = float(thermal.is_total) - float(model.watches_total)
    per_k = per_k + toward * thermal.expansion * slope * block["gain"]
    return np.asarray(per_k - slope_at_zero(model))


def _unknown_temperature(model: StrainModel, load: Floats, slope: Floats, toward: float) -> Floats:
    """Variance of what is left out for want of a temperature, over the chamber's range."""
    thermal = model.thermal
    grid = np.linspace(*thermal.range_c, _GRID)
    output = float(np.max(np.abs(polynomial(thermal.output, grid - thermal.reference_c))))
    span = float(np.max(np.abs(grid - thermal.reference_c)))
    away = float(np.max(np.abs(grid - thermal.zero_c)))
    left_out = output + abs(thermal.factor_per_k * load) * span + shared_span(model, load)
    left_out = left_out + abs(toward) * thermal.expansion * away * np.abs(slope)
    return np.asarray(left_out**2 / 3.0)


def _climate_model(block: Block, model: StrainModel) -> dict[str, Component]:
    """How well A, c_k and H are known, and how well w is."""
    thermal, temperature = model.thermal, block["temperature"]
    change = temperature - thermal.reference_c
    parts: dict[str, Component] = {}
    if (thermal.output_u or thermal.output_u_per_k) and thermal.output:
        at_zero = float(polynomial(thermal.output, thermal.zero_c - thermal.reference_c))
        left = thermal.output_u * (polynomial(thermal.output, change) - at_zero)
        beside = thermal.output_u_per_k * (temperature - thermal.zero_c)
        parts["thermal_output"] = (_known(left**2 + beside**2), thermal.freedom)
    if thermal.factor_per_k_u:
        share = thermal.factor_per_k_u * sensitivity_since_zero(block, model)
        parts["sensitivity"] = (_known(share**2), thermal.freedom)
    film = model.film
    if film is not None and model.shared is None:
        of_state, of_output = moisture_since_zero(block, model, film)
        variance = of_state**2
        missing = np.isnan(block["film_moisture"])
        if missing.any():
            grid = np.linspace(0.0, 1.0, _GRID) - film.reference
            spanned = float(np.max(np.abs(polynomial(film.output, grid)))) ** 2 / 3.0
            variance = np.where(missing, spanned, variance)
        parts["moisture"] = (variance, _INF)
        parts["moisture_output"] = (_known(of_output**2), film.freedom)
    return parts


def _companion_variance(block: Block, model: StrainModel) -> Floats:
    known = 0.0
    if model.companion is not None:
        known = model.companion.reading_u**2
        if model.zero is None:
            known += model.companion.signal.unstrained_u**2
        leads = model.companion.signal.leads
        if leads is not None:
            known += (leads.delta_per_k * leads.temperature_u) ** 2
    missing = np.isnan(block["companion_delta"])
    return np.where(missing, model.companion_missing_u**2, known)


def _ageing_variance(block: Block, model: StrainModel) -> Floats:
    ageing = model.ageing
    if ageing is None:
        return np.zeros(len(block))
    since = ageing.start_us if model.zero is None else model.zero.start_us
    progress = ageing_progress((block.time - ageing.start_us) * 1e-6, ageing.kind)
    before = float(ageing_progress((since - ageing.start_us) * 1e-6, ageing.kind))
    return np.asarray((ageing.per_year_u * (progress - before)) ** 2)


def _known(variance: Floats) -> Floats:
    """A missing temperature is accounted for once, by `_unknown_temperature`."""
    return np.where(np.isnan(variance), 0.0, variance)
