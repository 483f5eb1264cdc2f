"""
Where a strain's uncertainty comes from, kept apart so that gauges can be put together.

Each component of `budget.components_of` is split into amounts that carry the name of their cause
and their sign, and what is left of its variance as an amount of the gauge alone; together they are
the component exactly. Amounts of one name are fully correlated between gauges, others independent:

- curve: common to gauges of one calibration, coefficient by coefficient (V = L·Lᵀ, column by
  column of L), so that two gauges at different strains share what their strains have in common;
- between gauges: each gauge has its own factor; only the batch's mean, 1/(n + 1) of the variance,
  is common to the gauges of one calibration;
- temperature: common to the gauges of one temperature channel, by each one's own slope; where
  the temperature is missing, with the sign of that slope at the reference temperature;
- moisture: what is not known of w is common to the gauges of one humidity channel, by the slope
  of H; what is not known of H to those of one calibration;
- thermal output, sensitivity, creep, ageing, beyond the range: common to one calibration;
- companion: common to the gauges that take off the same companion;
- reading, unstrained value, zero, and whatever else a budget names: of the gauge alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.blocks import Floats, Ints
from pipeline.derive.block import Block
from pipeline.derive.budget import components_of, curve_amounts, temperature_slope
from pipeline.derive.gauges import Segment, StrainModel
from pipeline.derive.since_zero import (
    load_since_zero,
    moisture_since_zero,
    sensitivity_since_zero,
)
from pipeline.physics.environment import polynomial, polynomial_slope

_ROUNDING = 1e-9
"""Share of a component's variance below which nothing is left of it."""


@dataclass(frozen=True, eq=False)
class Source:
    """Amounts by which one cause moves the strains of n rows [m/m]."""

    amounts: Floats
    """Standard uncertainties with sign, shape (n, m); the m parts are independent."""
    freedom: float

    def take(self, rows: slice | Ints) -> Source:
        """The rows under a slice or index."""
        return Source(self.amounts[rows], self.freedom)


Sources = Mapping[str, Source]
"""By component, cause and, for what is of one gauge alone, its point: `curve|cal-7@…|`."""


def estimate_of(name: str) -> str:
    """
    The estimate behind a source: sources that share it share its degrees of freedom.

    The spread between gauges is one figure of a calibration, whether it acts on each gauge or on
    all: for Welch-Satterthwaite the variances it gives are added up first.
    """
    return name.rpartition("|")[0]


def strain_sources(block: Block, segment: Segment, point: str) -> dict[str, Source]:
    """
    Sources of the strains of a finished block; NaN where a reading failed.

    The squares of a row's amounts add up to the variance from which its `u` was stated.

    Args:
        block: after the stages of a strain gauge.
        segment: in which its rows lie.
        point: names what is of this gauge alone.
    """
    scale = _model(segment).curve.slope(block["strain"]) * block["gain"]
    calibration = _model(segment).spread.calibration
    n, found = len(block), dict[str, Source]()
    for name, (variance, freedom) in components_of(block, segment).items():
        rest = np.broadcast_to(np.asarray(variance, np.float64), (n,))
        floor = _ROUNDING * rest
        for cause, amounts in _shared(name, rest, block, segment):
            rest = rest - np.sum(amounts**2, axis=1)
            found[f"{name}|{cause}|"] = Source(amounts / scale[:, None], freedom)
        own = np.sqrt(np.where(rest > floor, rest, 0.0 * rest))
        if np.any(own != 0.0):
            found[f"{name}|{calibration}|{point}"] = Source(_column(own / scale), freedom)
    return found


def _shared(
    name: str, variance: Floats, block: Block, segment: Segment
) -> Iterator[tuple[str, Floats]]:
    """Causes of a component that other gauges may share, with amounts in δ, shape (n, m)."""
    model, joins = _model(segment), segment.joins
    calibration = model.spread.calibration
    if name == "curve":
        yield calibration, _curve_amounts(block, model)
    elif name == "temperature" and joins.temperature is not None:
        yield joins.temperature, _column(_thermometer_amount(variance, block, model))
    elif name == "moisture" and joins.humidity is not None:
        yield from _moisture_amounts(variance, block, model, joins.humidity)
    elif name == "companion" and model.companion is not None:
        yield model.companion.channel, _column(np.sqrt(variance))
    elif name in _OF_CALIBRATION:
        yield calibration, _column(_OF_CALIBRATION[name](variance, block, model))


def _model(segment: Segment) -> StrainModel:
    if segment.strain is None:
        raise ValueError("a linear sensor has no strain to put together")
    return segment.strain


def _column(amount: Floats) -> Floats:
    return np.asarray(amount)[:, None]


def _curve_amounts(block: Block, model: StrainModel) -> Floats:
    weights = np.stack(curve_amounts(block, model), axis=-1)
    values, vectors = np.linalg.eigh(model.spread.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(weights @ root)


def _thermometer_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    slope = model.curve.slope(block["strain"])
    per_k = temperature_slope(block, model, slope)
    at_reference = polynomial_slope(model.thermal.output, np.zeros(len(block)))
    toward = float(model.thermal.is_total) - float(model.watches_total)
    at_reference = at_reference + toward * model.thermal.expansion * slope
    missing = np.sign(at_reference) * np.sqrt(variance)
    known = per_k * model.thermal.sensor_u if model.thermal.is_needed else np.zeros(len(block))
    return np.where(np.isnan(block["temperature"]), missing, known)


def _moisture_amounts(
    variance: Floats, block: Block, model: StrainModel, channel: str
) -> Iterator[tuple[str, Floats]]:
    film = model.film
    if film is None:
        return
    of_state, _ = moisture_since_zero(block, model, film)
    missing = np.isnan(of_state)
    spanned = np.sign(polynomial_slope(film.output, np.zeros(1)))[0] * np.sqrt(variance)
    yield channel, _column(np.where(missing, spanned, of_state))


def _between_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    del variance
    share = model.spread.between * float(np.sqrt(model.spread.between_shared))
    return np.asarray(share * load_since_zero(block, model))


def _output_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    del variance
    thermal = model.thermal
    at_zero = float(polynomial(thermal.output, thermal.zero_c - thermal.reference_c))
    change = block["temperature"] - thermal.reference_c
    return _known(thermal.output_u * (polynomial(thermal.output, change) - at_zero))


def _moisture_output_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    if model.film is None:
        return np.sqrt(variance)
    _, of_output = moisture_since_zero(block, model, model.film)
    return _known(of_output)


def _sensitivity_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    del variance
    return _known(model.thermal.factor_per_k_u * sensitivity_since_zero(block, model))


def _creep_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    del model
    return np.asarray(np.sign(block["shown_load"]) * np.sqrt(variance))


def _ageing_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    del block, model
    return np.sqrt(variance)


def _beyond_amount(variance: Floats, block: Block, model: StrainModel) -> Floats:
    strain = block["strain"]
    beyond = strain - np.clip(strain, model.curve.lo, model.curve.hi)
    side = np.sign(beyond) * np.sign(model.curve.slope(strain))
    return np.asarray(side * np.sqrt(variance))


def _known(amount: Floats) -> Floats:
    """A missing temperature is accounted for once, by the thermometer's own part."""
    return np.where(np.isnan(amount), 0.0, amount)


_OF_CALIBRATION: Mapping[str, Callable[[Floats, Block, StrainModel], Floats]] = {
    "between_gauges": _between_amount,
    "thermal_output": _output_amount,
    "sensitivity": _sensitivity_amount,
    "moisture_output": _moisture_output_amount,
    "creep": _creep_amount,
    "ageing": _ageing_amount,
    "beyond_range": _beyond_amount,
}
"""Components whose common part is of the calibration: its amount in δ with its sign."""
