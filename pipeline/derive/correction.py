"""
Takes off every correction in the order of `blocks.TERMS`, through the curve, so that they add up.

The model is δ = L·(1 + c_k·(T - T_ref)) + A(T) + H(w) + companion + ageing(t) + offset with the
load as it shows L = F(ε) + Σ c_i·z_i. It is solved for F exactly, then each effect is subtracted
from δ in turn; the term of an effect is the change of F⁻¹(δ) that it makes:

    indicated = F⁻¹(δ_0), term_k = F⁻¹(δ_{k-1}) - F⁻¹(δ_k), mechanical = indicated - Σ terms

Where the compensation yields total strain, the expansion α·(T - T_zero) is added to
`thermal_output`. A missing temperature, moisture or companion leaves its term out (null).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.blocks import TERMS, TEST_BIT, Floats
from pipeline.derive.block import Block, Context
from pipeline.derive.gauges import Creep, StrainModel
from pipeline.derive.shared import shared_effects
from pipeline.derive.state import CreepState, GaugeState
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.creep import ageing_progress, creep_states
from pipeline.physics.curve import GaugeCurve
from pipeline.physics.environment import polynomial

MICRO = 1e6
_FEW = 2048
Effects = dict[str, Floats]


def stage_correction(block: Block, state: GaugeState, context: Context) -> tuple[Block, GaugeState]:
    """
    Adds `indicated`, a column for each term that applies, `mechanical`, `total` and `value`
    [µm/m], and for the budget `strain`, `gain`, `shown_load` and `creep_variance`.
    """
    model = context.strain
    effects = climate_effects(block, model)
    if model.shared is None:
        shown, gain = _shown_load(block, model, effects)
    else:
        common, shown, gain = shared_effects(block, model, effects.get("zero"))
        effects |= common
    states, after = _crept(block, shown, state, context)
    if model.thermal.factor_per_k and model.shared is None:
        effects["sensitivity"] = (gain - 1.0) * shown
    if model.creep.fractions:
        effects["creep"] = states @ np.array(model.creep.fractions)
    indicated, terms, strain = telescoped(block["delta"], effects, model.curve)
    expansion = model.thermal.expansion * (block["temperature"] - model.thermal.zero_c) * MICRO
    if model.thermal.is_total:
        terms["thermal_output"] = _plus_known(terms.get("thermal_output"), expansion)
    columns = _strains(indicated, terms, expansion, model)
    columns |= {"strain": strain, "gain": gain, "shown_load": shown}
    columns["creep_variance"] = states**2 @ np.array(model.creep.fractions_u) ** 2
    tests = block.tests | np.int32(_standing_tests(context))
    tests[(strain < model.curve.lo) | (strain > model.curve.hi)] |= TEST_BIT["beyond_range"]
    return block.adding(columns, tests), after


def climate_effects(block: Block, model: StrainModel) -> Effects:
    """
    What the climate, the companion, age and zero add to δ, by term; NaN: not known.

    To several active arms only the zero adds: for the rest see `shared_effects`.
    """
    thermal, n = model.thermal, len(block)
    effects: Effects = {}
    if thermal.output:
        effects["thermal_output"] = polynomial(
            thermal.output, block["temperature"] - thermal.reference_c
        )
    if model.film is not None and model.shared is None:
        effects["moisture"] = polynomial(
            model.film.output, block["film_moisture"] - model.film.reference
        )
    if model.has_companion:
        effects["companion"] = block["companion_delta"]
    if model.ageing is not None:
        age = (block.time - model.ageing.start_us) * 1e-6
        effects["ageing"] = model.ageing.per_year * ageing_progress(age, model.ageing.kind)
    if model.zero is not None:
        effects["zero"] = np.full(n, model.zero.offset)
    return effects


def telescoped(
    delta: Floats, effects: Effects, curve: GaugeCurve | BridgeCurve
) -> tuple[Floats, dict[str, Floats], Floats]:
    """
    Effects in δ taken off one after the other, as strain.

    Returns:
        indicated [µm/m], terms [µm/m] by name (NaN where the effect is), and the strain that is
        left [m/m].
    """
    names = [name for name in TERMS if name in effects]
    rests = [delta]
    for name in names:
        effect = effects[name]
        rests.append(rests[-1] - np.where(np.isnan(effect), 0.0, effect))
    strains = _inverses(rests, curve)
    terms = {
        name: np.where(np.isnan(effects[name]), np.nan, (before - after) * MICRO)
        for name, before, after in zip(names, strains, strains[1:], strict=False)
    }
    return strains[0] * MICRO, terms, strains[-1]


def _inverses(deltas: list[Floats], curve: GaugeCurve | BridgeCurve) -> list[Floats]:
    """F⁻¹ of each; in one go where the rows are few and the calls would cost more than they."""
    n = len(deltas[0])
    if n > _FEW:
        return [curve.inverse(delta) for delta in deltas]
    return list(curve.inverse(np.concatenate(deltas)).reshape(len(deltas), n))


def _shown_load(block: Block, model: StrainModel, effects: Effects) -> tuple[Floats, Floats]:
    """L = F + Σ c·z, and the factor 1 + c_k·(T - T_ref); 1 where T is missing."""
    thermal = model.thermal
    load = block["delta"]
    for effect in effects.values():
        load = load - np.where(np.isnan(effect), 0.0, effect)
    if not thermal.factor_per_k:
        return load, np.ones(len(block))
    warmth = thermal.factor_per_k * (block["temperature"] - thermal.reference_c)
    gain = 1.0 + np.where(np.isnan(warmth), 0.0, warmth)
    return load / gain, gain


def _crept(
    block: Block, shown: Floats, state: GaugeState, context: Context
) -> tuple[Floats, GaugeState]:
    """Creep states z at each reading, shape (n, m), and the state after them."""
    creep, n = context.strain.creep, len(block)
    if not creep.fractions or not n:
        return np.zeros((n, len(creep.fractions))), state
    before = _carried(state.creep, creep, int(block.time[0]))
    states = np.full((n, len(creep.taus)), np.nan)
    rows = np.flatnonzero(np.isfinite(shown))
    if context.is_late or not len(rows):
        states[rows] = before.states
        return states, state
    time = block.time[rows]
    step = np.diff(time, prepend=before.time) * 1e-6
    states[rows] = creep_states(
        step, shown[rows], creep.fractions, creep.taus, before.load, before.states
    )
    last = states[rows[-1]]
    load = float(shown[rows[-1]] - last @ np.array(creep.fractions))
    after = CreepState(int(time[-1]), load, tuple(last.tolist()), creep.taus)
    return states, replace(state, creep=after)


def _carried(before: CreepState | None, creep: Creep, start_us: int) -> CreepState:
    """
    The state to start from: none is an unloaded gauge.

    Where another calibration brings other time constants, a term that was not there before
    starts in balance with the load: the gauge has borne it, the model is what is new.
    """
    if before is None:
        return CreepState(start_us, 0.0, (0.0,) * len(creep.taus), creep.taus)
    if before.taus == creep.taus:
        return before
    known = dict(zip(before.taus, before.states, strict=True))
    return replace(
        before, states=tuple(known.get(t, before.load) for t in creep.taus), taus=creep.taus
    )


def _plus_known(term: Floats | None, expansion: Floats) -> Floats:
    return expansion if term is None else term + expansion


def _strains(
    indicated: Floats, terms: dict[str, Floats], expansion: Floats, model: StrainModel
) -> dict[str, Floats]:
    taken = np.zeros(len(indicated))
    for name in TERMS:
        if name in terms:
            taken = taken + np.where(np.isnan(terms[name]), 0.0, terms[name])
    mechanical = indicated - taken
    total = mechanical + expansion
    if model.watches_total:
        # Without a temperature the expansion is unknown; the budget has all of it.
        total = np.where(np.isnan(total), mechanical, total)
    value = total if model.watches_total else mechanical
    return {
        "indicated": indicated,
        **terms,
        "mechanical": mechanical,
        "total": total,
        "value": value,
    }


def _standing_tests(context: Context) -> int:
    """Tests that hold for every row of a segment."""
    standing = 0
    if context.strain.zero is None:
        standing |= TEST_BIT["relative_only"]
    if context.segment.is_expired:
        standing |= TEST_BIT["calibration_expired"]
    return standing
