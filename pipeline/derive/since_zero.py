"""
What an error of calibration or sensor does to δ counts from the zero: there it is in the offset.

A zero makes the strain right at its own climate and strain, whatever is wrong with curve, factor,
thermometer or film. What is left at a reading is the difference of what the same error does there
and at the zero (JCGM 100, 5.2: correlated input quantities). Before its first zero a gauge counts
from nothing: the error as it stands. Ref: design of `budget`; worked by hand in its tests.
"""

from __future__ import annotations

import numpy as np

from pipeline.blocks import Floats
from pipeline.derive.block import Block
from pipeline.derive.gauges import Film, StrainModel
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.environment import polynomial, polynomial_slope


def load_since_zero(block: Block, model: StrainModel) -> Floats:
    """The load as it shows in δ, F(ε)·gain, less that at the zero, shape (n,)."""
    load = model.curve.delta(block["strain"]) * block["gain"]
    strain, gain = _zero_strain(model)
    return np.asarray(load - float(model.curve.delta(strain)) * gain)


def weights_since_zero(
    weights: list[Floats], at_zero: list[Floats], block: Block, model: StrainModel
) -> list[Floats]:
    """
    How much of each figure of the curve is in δ, less that at the zero.

    Args:
        weights: of `load_weights` at the block's strains.
        at_zero: the same at the zero's one strain, each of shape (1,).
    """
    _, gain = _zero_strain(model)
    pairs = zip(weights, at_zero, strict=True)
    return [np.asarray(one * block["gain"] - float(old[0]) * gain) for one, old in pairs]


def zero_strain(model: StrainModel) -> Floats:
    """Strain at the zero [m/m], 0 without one, shape (1,)."""
    return np.array([_zero_strain(model)[0]])


def slope_at_zero(model: StrainModel) -> float:
    """What an error of 1 K of the thermometer did to δ at the zero; 0 without one."""
    thermal = model.thermal
    if model.zero is None or isinstance(model.curve, BridgeCurve):
        return 0.0
    strain, gain = _zero_strain(model)
    per_k = float(polynomial_slope(thermal.output, thermal.zero_c - thermal.reference_c))
    per_k += thermal.factor_per_k * float(model.curve.delta(strain))
    toward = float(thermal.is_total) - float(model.watches_total)
    return per_k + toward * thermal.expansion * float(model.curve.slope(strain)) * gain


def sensitivity_since_zero(block: Block, model: StrainModel) -> Floats:
    """(T - T_ref)·L, by which an error of c_k acts, less that at the zero; NaN without T."""
    thermal = model.thermal
    here = (block["temperature"] - thermal.reference_c) * block["shown_load"]
    at_zero = 0.0
    if model.zero is not None:
        load = float(model.curve.delta(_zero_strain(model)[0]))
        at_zero = (thermal.zero_c - thermal.reference_c) * load
    return np.asarray(here - at_zero)


def moisture_since_zero(block: Block, model: StrainModel, film: Film) -> tuple[Floats, Floats]:
    """
    Amounts in δ, with sign, of what is not known of w and of H, less those at the zero.

    NaN without a moisture. A zero that does not tell its moisture holds nothing of them.
    """
    above = block["film_moisture"] - film.reference
    of_state = polynomial_slope(film.output, above) * block["film_moisture_u"]
    of_output = film.output_u * polynomial(film.output, above)
    zero = model.zero
    if zero is not None and zero.moisture is not None:
        above_zero = zero.moisture - film.reference
        of_state = of_state - polynomial_slope(film.output, above_zero) * zero.moisture_u
        of_output = of_output - film.output_u * polynomial(film.output, above_zero)
    return np.asarray(of_state), np.asarray(of_output)


def _zero_strain(model: StrainModel) -> tuple[float, float]:
    """Strain and gain at the zero; without one both are 0, so that nothing is taken off."""
    thermal = model.thermal
    if model.zero is None:
        return 0.0, 0.0
    return model.zero.strain, 1.0 + thermal.factor_per_k * (thermal.zero_c - thermal.reference_c)
