"""
Compiles a calibration, its environment and the zero in force into a strain model.

Which strain is left when A(T) is taken off is what the calibration `yields`:
- mechanical: A holds the free expansion of its coupon. On another material of known α,
  k·(α_structure - α_coupon)·ΔT is added.
- total: A is the film's own part. Was it measured on a material of known α, k·α_coupon·ΔT is
  taken out of it first. Mechanical strain is then total - α_structure·(T - T_zero).
A companion on a free piece of the structure's material leaves mechanical strain; so do several
active arms, in which the climate and the free expansion cancel. `none` takes off nothing of the
climate, and what is left is called mechanical, as for a gauge matched to its material.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import zip_longest
from math import inf

import numpy as np

from pipeline.derive.gauges import (
    Ageing,
    Companion,
    Creep,
    Expected,
    Film,
    Shared,
    Spread,
    StrainModel,
    Thermal,
    ZeroOffset,
    microseconds,
)
from pipeline.derive.signal import has_several_arms, mistake, signal_of
from pipeline.errors import ConfigError
from pipeline.physics.arms import BridgeCurve
from pipeline.physics.curve import GaugeCurve, monotone_curve, polynomial_curve
from pipeline.physics.environment import polynomial
from pipeline.site.models import Calibration, Channel, Curve, Placement, Temperature, Zero

DEFAULT_SENSOR_U_K = 0.2

_GRID = 129


@dataclass(frozen=True)
class Bench:
    """What is known of one placement at one time."""

    placement: Placement
    calibration: Calibration
    expansion: float
    watches_total: bool
    bonded_us: int
    zero: Zero | None
    compares_companion: bool = False
    imaginary: Channel | None = None
    """Of Im(Z), where the placement has one."""

    def refused(self, found: str, expected: str, remedy: str) -> ConfigError:
        """A mistake in the calibration as used by this placement."""
        named = f'calibration "{self.calibration.id}" with {found}'
        return mistake(self.placement, named, expected, remedy)

    @cached_property
    def sheet(self) -> Curve:
        """The calibration's curve."""
        if self.calibration.curve is None:
            raise self.refused("no curve", "a calibration of kind strain", "Name another one.")
        return self.calibration.curve

    @cached_property
    def curve(self) -> GaugeCurve:
        """The curve in strain and δ."""
        sheet = self.sheet
        lo, hi = (end * 1e-6 for end in sheet.range_um_m)
        try:
            if sheet.kind != "monotone":
                return polynomial_curve(sheet.coefficients, lo, hi)
            knots = [x * 1e-6 for x in sheet.knots_strain_um_m]
            return monotone_curve(knots, sheet.knots_delta, lo, hi)
        except ValueError as wrong:
            raise self.refused(
                f"a curve that cannot be used ({wrong})", "a monotone curve", "Fit it again."
            ) from wrong

    @cached_property
    def thermal_output(self) -> tuple[float, ...]:
        """A(T) in δ/Kⁱ about the reference temperature, of this structure's material."""
        sheet = self.calibration.temperature
        if sheet is None:
            return ()
        factor = sheet.output_factor or float(self.curve.slope(0.0))
        foil = tuple(factor * 1e-6 * c for c in sheet.output_um_m)
        output = tuple(a + b for a, b in zip_longest(sheet.output, foil, fillvalue=0.0))
        coupon = sheet.output_expansion_1e6_per_k
        if coupon is None:
            return output
        other = -coupon * 1e-6 + (self.expansion if sheet.yields == "mechanical" else 0.0)
        first, *rest = output or (0.0,)
        return (first + factor * other, *rest)

    @cached_property
    def bridge_curve(self) -> GaugeCurve | BridgeCurve:
        """The curve, or of several active arms what they make of it together."""
        placement, curve = self.placement, self.curve
        if not has_several_arms(placement.wiring):
            return curve
        found, wiring = None, placement.wiring
        if not curve.lo < 0.0 < curve.hi:
            found = f"a range from {curve.lo * 1e6:g} to {curve.hi * 1e6:g} µm/m for {wiring}"
            expected = "a range on both sides of 0: one arm is compressed when another is stretched"
        elif curve.factor is None and self.calibration.batch is None:
            found = f"a bent curve of one gauge for {wiring}"
            expected = "a calibration of the batch that all arms are from, so that each is known"
        if found is not None:
            remedy = "Name such a calibration, or wire each gauge as a quarter bridge."
            raise self.refused(found, expected, remedy)
        share = 0.0 if placement.nominal_ohm is None else placement.lead_ohm / placement.nominal_ohm
        return BridgeCurve(curve, wiring, placement.poisson or 0.0, share)

    @cached_property
    def is_modelled(self) -> bool:
        """Whether climate has anything to be taken off by the model at this placement."""
        return self.has_model and not has_several_arms(self.placement.wiring)

    @cached_property
    def has_model(self) -> bool:
        """Whether climate is modelled at all: of several arms it only changes the gain."""
        return self.placement.compensation == "model"

    def reduction(self) -> float:
        """
        R_unstrained/R0: what the climate of commissioning did to the unstrained value.

        However the climate is compensated: R0 is of the gauge, and a gauge and its companion must
        count from the same climate.
        """
        placement, calibration = self.placement, self.calibration
        if has_several_arms(placement.wiring):
            return 1.0
        ratio = 1.0
        if placement.unstrained_temperature_c is not None and self.thermal_output:
            change = placement.unstrained_temperature_c - calibration.reference_temperature_c
            ratio += float(polynomial(self.thermal_output, change))
        if placement.unstrained_humidity_rh is not None and calibration.moisture is not None:
            change = placement.unstrained_humidity_rh - calibration.reference_humidity_rh
            ratio += float(polynomial(calibration.moisture.output, change / 100.0))
        return ratio


def strain_model(bench: Bench, beside: tuple[str, Bench, Channel] | None) -> StrainModel:
    """
    The strain model of one segment.

    Args:
        bench: what is known of the placement.
        beside: channel name, bench and channel of the companion; None: none is in place.

    Raises:
        ConfigError: curve or covariance cannot be used, or several arms whose curves are not
            known.
    """
    placement, calibration = bench.placement, bench.calibration
    companion = None
    if beside is not None:
        name, other, channel = beside
        signal = signal_of(other.placement, channel, other.reduction(), other.imaginary)
        expected = _expected(other) if bench.compares_companion else None
        companion = Companion(name, signal, other.sheet.reading_u, expected)
    has_companion = placement.compensation == "companion"
    several = has_several_arms(placement.wiring)
    return StrainModel(
        curve=bench.bridge_curve,
        spread=_spread(bench),
        thermal=_thermal(bench),
        film=_film(bench),
        has_companion=has_companion and not several,
        companion=None if several else companion,
        companion_missing_u=_companion_missing_u(bench),
        creep=Creep(
            tuple(c.fraction for c in calibration.creep),
            tuple(c.fraction_u for c in calibration.creep),
            tuple(c.time_constant_s for c in calibration.creep),
            min((_freedom(c.degrees_of_freedom) for c in calibration.creep), default=inf),
        ),
        ageing=None if has_companion or several else _ageing(bench),
        zero=_zero(bench),
        watches_total=bench.watches_total,
        shared=_shared(bench) if several else None,
    )


def _spread(bench: Bench) -> Spread:
    sheet = bench.sheet
    is_knots = sheet.kind == "monotone"
    size = len(sheet.knots_strain_um_m if is_knots else sheet.coefficients)
    covariance = np.array(sheet.covariance, np.float64)
    if covariance.shape != (size, size):
        raise bench.refused(
            f"a covariance of shape {covariance.shape}",
            f"{size} x {size}",
            "Give it a row and a column for each coefficient or knot.",
        )
    own = bench.calibration.serial == bench.placement.serial
    gauges = max(sheet.gauges, 1)
    return Spread(
        covariance=covariance,
        knots=np.array(sheet.knots_strain_um_m) * 1e-6 if is_knots else None,
        freedom=sheet.degrees_of_freedom,
        between=0.0 if own else sheet.between_gauges * float(np.sqrt(1.0 + 1.0 / gauges)),
        between_freedom=max(gauges - 1.0, 1.0),
        reading_u=sheet.reading_u,
        calibration=f"{bench.calibration.id}@{bench.calibration.valid_from.isoformat()}",
        between_shared=1.0 / (gauges + 1.0),
    )


def _thermal(bench: Bench) -> Thermal:
    placement, calibration = bench.placement, bench.calibration
    sheet: Temperature | None = calibration.temperature
    output = bench.thermal_output if bench.is_modelled else ()
    # c_k acts on the load, so that neither a companion nor a second arm takes it off.
    has_factor = sheet is not None and placement.compensation != "none"
    factor = sheet.factor_per_k if sheet is not None and has_factor else 0.0
    is_total = sheet is not None and bench.is_modelled and sheet.yields == "total"
    zero_c = placement.unstrained_temperature_c
    if bench.zero is not None:
        zero_c = bench.zero.temperature_c
    return Thermal(
        reference_c=calibration.reference_temperature_c,
        output=output,
        output_u=sheet.output_u if sheet is not None else 0.0,
        factor_per_k=factor,
        factor_per_k_u=sheet.factor_per_k_u if sheet is not None and has_factor else 0.0,
        sensor_u=sheet.sensor_u_k if sheet is not None else DEFAULT_SENSOR_U_K,
        range_c=sheet.range_c if sheet is not None else (-20.0, 50.0),
        expansion=bench.expansion,
        is_total=is_total,
        zero_c=calibration.reference_temperature_c if zero_c is None else zero_c,
        is_needed=bool(bench.has_model and bench.thermal_output)
        or factor != 0.0
        or is_total
        or bench.watches_total,
        output_u_per_k=sheet.output_u_per_k if sheet is not None else 0.0,
        freedom=_freedom(sheet.degrees_of_freedom if sheet is not None else None),
    )


def _shared(bench: Bench) -> Shared:
    """What all arms have alike: on this structure, the film's own part and its expansion."""
    sheet = bench.calibration.temperature
    if sheet is None or not bench.has_model:
        return Shared((), 0.0, _ageing(bench) if bench.has_model else None)
    first, *rest = bench.thermal_output or (0.0,)
    if sheet.yields == "total":
        first += float(bench.curve.slope(0.0)) * bench.expansion
    return Shared((first, *rest), sheet.output_u, _ageing(bench))


def _film(bench: Bench) -> Film | None:
    return _film_of(bench) if bench.has_model else None


def _film_of(bench: Bench) -> Film | None:
    sheet, calibration = bench.calibration.moisture, bench.calibration
    if sheet is None:
        return None
    thermal = calibration.temperature
    return Film(
        output=sheet.output,
        output_u=sheet.output_u,
        reference=calibration.reference_humidity_rh / 100.0,
        tau=sheet.time_constant_s,
        activation=sheet.activation_k,
        reference_c=calibration.reference_temperature_c,
        sensor_u=sheet.sensor_u_rh / 100.0,
        sensor_u_k=thermal.sensor_u_k if thermal is not None else DEFAULT_SENSOR_U_K,
        tau_u=sheet.time_constant_u,
        freedom=_freedom(sheet.degrees_of_freedom),
    )


def _ageing(bench: Bench) -> Ageing | None:
    sheet = bench.calibration.ageing
    if sheet is None:
        return None
    freedom = _freedom(sheet.degrees_of_freedom)
    return Ageing(sheet.kind, sheet.per_year, sheet.per_year_u, bench.bonded_us, freedom)


def _freedom(stated: float | None) -> float:
    return inf if stated is None else stated


def _expected(other: Bench) -> Expected:
    return Expected(
        reference_c=other.calibration.reference_temperature_c,
        output=other.thermal_output,
        film=_film_of(other),
        ageing=_ageing(other),
    )


def _zero(bench: Bench) -> ZeroOffset | None:
    zero = bench.zero
    if zero is None:
        return None
    return ZeroOffset(
        start_us=microseconds(zero.valid_from),
        offset=zero.offset_delta,
        offset_u=zero.offset_delta_u,
        strain=zero.known_strain_um_m * 1e-6,
        moisture=zero.film_moisture,
        moisture_u=zero.film_moisture_u,
    )


def _companion_missing_u(bench: Bench) -> float:
    """
    Standard uncertainty of δ while a companion that is relied on says nothing.

    The extremes of A and H where the calibration has them, as rectangular distributions; without
    either nothing is known of the climate's part, and it is the width of the calibrated range.
    """
    sheet, moisture = bench.calibration.temperature, bench.calibration.moisture
    variance = 0.0
    if bench.thermal_output and sheet is not None:
        change = np.linspace(*sheet.range_c, _GRID) - bench.calibration.reference_temperature_c
        variance += float(np.max(np.abs(polynomial(bench.thermal_output, change)))) ** 2 / 3.0
    if moisture is not None:
        change = np.linspace(0.0, 1.0, _GRID) - bench.calibration.reference_humidity_rh / 100.0
        variance += float(np.max(np.abs(polynomial(moisture.output, change)))) ** 2 / 3.0
    if variance > 0.0:
        return float(np.sqrt(variance))
    ends = bench.curve.delta([bench.curve.lo, bench.curve.hi])
    return float(abs(ends[1] - ends[0]) / np.sqrt(12.0))
