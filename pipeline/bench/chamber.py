"""
Climate chamber to calibration: A(T), c_k, H(w) and τ of a batch, jointly, with their uncertainty.

Each gauge is fitted by itself with all parameters at once (`chamber_gauge`), the powers are those
that the gauges share (`chamber_order`), and what is stated is the mean of the gauges with the
uncertainty for another one of the batch (`chamber_spread`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.bench.chamber_design import gauge_curve, gauge_designs
from pipeline.bench.chamber_figures import GaugeFigures, gauge_figures, refuse_broken
from pipeline.bench.chamber_gauge import GaugeFit, Orders
from pipeline.bench.chamber_order import Choice, chosen
from pipeline.bench.chamber_spread import Estimate, new_gauge
from pipeline.bench.chamber_table import ChamberRuns, check_runs
from pipeline.errors import ConfigError, Mistake
from pipeline.physics.environment import polynomial_slope
from pipeline.physics.uncertainty import combined
from pipeline.site.models import Creep, Curve, Moisture, Temperature

Floats = npt.NDArray[np.float64]

RELATIVE_LIMIT = 0.2
"""Above, the spread of A is stated per kelvin and not relative to a slope about nothing."""
_GRID = 33
_MOST_TAU_SPAN = 1.0
_FILM = ("", "film")


@dataclass(frozen=True)
class ChamberFigures:
    """What the report shows: every gauge's rows and fit, and every parameter with its u."""

    gauges: tuple[GaugeFigures, ...]
    estimates: tuple[Estimate, ...]
    """For another gauge of the batch (or for the one gauge, if the fit is of a serial)."""
    choices: tuple[Choice, ...]
    notes: tuple[str, ...]

    @property
    def not_significant(self) -> tuple[str, ...]:
        """Names of the parameters that do not differ from 0 by more than 2u."""
        return tuple(e.name for e in self.estimates if not e.is_significant)


@dataclass(frozen=True)
class ChamberFit:
    """The tables of a calibration, and the figures behind them."""

    temperature: Temperature
    moisture: Moisture | None
    """None: humidity was not moved."""
    figures: ChamberFigures


def fit_chamber(
    rows: ChamberRuns,
    *,
    reference_temperature_c: float,
    reference_humidity_rh: float,
    yields: Literal["mechanical", "total"],
    expansion_1e6_per_k: float | None,
    curve: Curve | None = None,
    creep: Sequence[Creep] = (),
    for_batch: bool = True,
    chamber_u_k: float = 0.2,
    chamber_u_rh: float = 2.0,
    sensor_u_k: float = 0.2,
    sensor_u_rh: float = 2.0,
) -> ChamberFit:
    """
    Temperature and moisture tables from chamber runs.

    Args:
        rows: all gauges of one batch (or one gauge with `for_batch` off), on one material.
        yields: strain that is left when A is taken off.
        expansion_1e6_per_k: α of the coupon [1e-6/K]; None: the bare film.
        curve: of the batch; needed for a run that was never unloaded.
        creep: of the batch from the hold, so that a load's creep is not read as temperature.
        chamber_u_k, chamber_u_rh: standard uncertainty of the chamber's two sensors.
        sensor_u_k, sensor_u_rh: of the sensors in the field, handed on to the tables.

    Raises:
        ConfigError: rows that cannot be fitted; names file, row and remedy.
    """
    check_runs(rows, is_chamber=True)
    _refuse(rows, yields, expansion_1e6_per_k, for_batch=for_batch)
    reference = (reference_temperature_c, reference_humidity_rh / 100.0)
    designs = gauge_designs(rows, *reference, gauge_curve(curve), creep)
    has_humidity = bool(np.isin(rows.segment, ("humidity", "both")).any())
    orders, fits, choices = chosen(designs, has_humidity=has_humidity)
    refuse_broken(rows, fits)
    stated = _Stated(fits, orders, chamber_u_k, chamber_u_rh / 100.0)
    low, high = float(np.min(rows.temperature)), float(np.max(rows.temperature))
    temperature, thermal = stated.temperature(
        yields,
        expansion_1e6_per_k,
        sensor_u_k,
        (min(low, reference_temperature_c), max(high, reference_temperature_c)),
    )
    moisture, damp = stated.moisture(sensor_u_rh) if has_humidity else (None, ())
    gauges = tuple(gauge_figures(fit) for fit in fits)
    notes = tuple(_notes(rows, fits, has_humidity=has_humidity))
    drifts = tuple(drift for fit in fits for drift in fit.drifts) if len(fits) == 1 else ()
    figures = ChamberFigures(gauges, (*thermal, *damp, *drifts), choices, notes)
    return ChamberFit(temperature, moisture, figures)


@dataclass(frozen=True, eq=False)
class _Stated:
    """From the fits of single gauges to what holds for another one."""

    fits: tuple[GaugeFit, ...]
    orders: Orders
    chamber_u_k: float
    chamber_u: float

    def over_gauges(
        self, values: Sequence[float], variances: Sequence[float]
    ) -> tuple[float, float, float]:
        """Mean, u and ν; of one gauge for itself where there is but one."""
        if len(self.fits) == 1:
            return values[0], float(np.sqrt(variances[0])), self.fits[0].freedom
        return new_gauge(values, variances)

    def coefficients(self, name: str, unit: str, first: int, values: Floats) -> list[Estimate]:
        """Each coefficient over the gauges, shape of `values` (gauges, order)."""
        found = []
        for i in range(values.shape[1]):
            variances = [float(fit.covariance[first + i, first + i]) for fit in self.fits]
            power = "" if i == 0 else "²³"[i - 1]
            stated = self.over_gauges(values[:, i].tolist(), variances)
            found.append(Estimate(f"{name}{i + 1}", f"{unit}{power}", *stated))
        return found

    def scale(self, first: int, values: Floats, grid: Floats) -> tuple[float, float]:
        """u of the polynomial as a whole, relative to the mean, and ν."""
        powers = _centred_powers(grid, values.shape[1])
        mean = powers @ values.mean(axis=0)
        size = float(mean @ mean)
        if size == 0.0:
            return float("inf"), 1.0
        return self._projected(mean @ powers / size, first, values)

    def slope(self, first: int, values: Floats, grid: Floats) -> tuple[float, float]:
        """u of the polynomial's slope over the grid, in its own unit, and ν."""
        powers = _centred_powers(grid, values.shape[1])
        line = powers[:, 0] @ powers / float(powers[:, 0] @ powers[:, 0])
        return self._projected(line, first, values)

    def _projected(self, weights: Floats, first: int, values: Floats) -> tuple[float, float]:
        last = first + len(weights)
        variances = [
            float(weights @ fit.covariance[first:last, first:last] @ weights) for fit in self.fits
        ]
        _, u, freedom = self.over_gauges((values @ weights).tolist(), variances)
        return u, freedom

    def temperature(
        self,
        yields: Literal["mechanical", "total"],
        expansion: float | None,
        sensor_u_k: float,
        range_c: tuple[float, float],
    ) -> tuple[Temperature, list[Estimate]]:
        """The temperature table and its parameters."""
        values = np.array([fit.output for fit in self.fits])
        estimates = self.coefficients("A", "1/K", 0, values)
        warm = np.concatenate([fit.design.warm for fit in self.fits])
        grid = np.linspace(float(np.min(warm)), float(np.max(warm)), _GRID)
        mean, relative_u, per_k_u = values.mean(axis=0), 0.0, 0.0
        bend = 2.0 * abs(float(mean[1])) * self.chamber_u_k if len(mean) > 1 else 0.0
        if _spreads_as_a_whole(values, grid):
            relative_u, freedom = self.scale(0, values, grid)
            steep = float(np.sqrt(np.mean(polynomial_slope(mean.tolist(), grid) ** 2)))
            relative_u, freedom = _with_sensor(relative_u, freedom, bend / steep)
        else:
            per_k_u, freedom = self.slope(0, values, grid)
            per_k_u, freedom = _with_sensor(per_k_u, freedom, bend)
        factor, factor_u = self._factor_per_k(estimates)
        table = Temperature(
            output=tuple(mean.tolist()),
            output_expansion_1e6_per_k=expansion,
            yields=yields,
            factor_per_k=factor,
            range_c=range_c,
            output_u=relative_u,
            output_u_per_k=per_k_u,
            factor_per_k_u=factor_u,
            degrees_of_freedom=freedom,
            sensor_u_k=sensor_u_k,
        )
        return table, estimates

    def _factor_per_k(self, estimates: list[Estimate]) -> tuple[float, float]:
        found = [fit.factor_per_k for fit in self.fits if fit.factor_per_k is not None]
        if not found:
            return 0.0, 0.0
        values, variances = [v for v, _ in found], [u for _, u in found]
        if len(found) == 1:
            freedom = self.fits[0].freedom
            estimate = Estimate("c_k", "1/K", values[0], float(np.sqrt(variances[0])), freedom)
        else:
            estimate = Estimate("c_k", "1/K", *new_gauge(values, variances))
        estimates.append(estimate)
        return estimate.value, estimate.u

    def moisture(self, sensor_u_rh: float) -> tuple[Moisture, list[Estimate]]:
        """The moisture table and its parameters."""
        first = self.orders.temperature
        values = np.array([fit.moisture for fit in self.fits])
        estimates = self.coefficients("H", "1", first, values)
        drive = np.concatenate([fit.design.drive for fit in self.fits])
        grid = np.linspace(float(np.min(drive)), float(np.max(drive)), _GRID)
        relative_u, freedom = self.scale(first, values, grid)
        mean = values.mean(axis=0)
        bend = 2.0 * abs(float(mean[1])) * self.chamber_u if len(mean) > 1 else 0.0
        steep = float(np.sqrt(np.mean(polynomial_slope(mean.tolist(), grid) ** 2)))
        relative_u, freedom = _with_sensor(relative_u, freedom, bend / steep)
        at = first + self.orders.moisture
        logs = [float(np.log(fit.tau)) for fit in self.fits]
        log_tau, tau_u, tau_freedom = self.over_gauges(logs, self._variances(at))
        tau = float(np.exp(log_tau))
        estimates.append(Estimate("τ", "s", tau, tau * tau_u, tau_freedom))
        activation = 0.0
        if self.orders.activation:
            b = [fit.activation for fit in self.fits]
            stated = self.over_gauges(b, self._variances(at + 1))
            estimates.append(Estimate("B", "K", *stated))
            activation = stated[0]
        table = Moisture(
            output=tuple(mean.tolist()),
            time_constant_s=tau,
            activation_k=activation,
            output_u=relative_u,
            time_constant_u=tau_u,
            degrees_of_freedom=min(freedom, tau_freedom),
            sensor_u_rh=sensor_u_rh,
        )
        return table, estimates

    def _variances(self, at: int) -> list[float]:
        return [float(fit.covariance[at, at]) for fit in self.fits]


def _centred_powers(grid: Floats, order: int) -> Floats:
    powers = np.stack([grid ** (i + 1) for i in range(order)], axis=1)
    return np.asarray(powers - powers.mean(axis=0))


def _spreads_as_a_whole(values: Floats, grid: Floats) -> bool:
    """
    Whether gauges differ by a factor on all of A rather than by its slope.

    Printed gauges of a batch have more or less of the same; foil is matched to a material, and
    what differs is how well. One gauge alone is taken as a whole, unless its A is about nothing.
    """
    powers = _centred_powers(grid, values.shape[1])
    mean = powers @ values.mean(axis=0)
    size = float(mean @ mean)
    if size == 0.0:
        return False
    line = powers[:, 0]
    apart = (values - values.mean(axis=0)) @ powers.T
    by_factor = apart - np.outer(apart @ mean / size, mean)
    by_slope = apart - np.outer(apart @ line / float(line @ line), line)
    relative = np.max(np.abs(apart @ mean / size))
    return bool(np.sum(by_factor**2) <= np.sum(by_slope**2) and relative <= RELATIVE_LIMIT)


def _with_sensor(u: float, freedom: float, sensor: float) -> tuple[float, float]:
    """u and ν with what the chamber's sensor does to all gauges alike."""
    total, effective = combined([(u**2, freedom), (sensor**2, float("inf"))], 1)
    return float(total[0]), float(min(effective[0], 1e6))


def _refuse(rows: ChamberRuns, yields: str, expansion: float | None, *, for_batch: bool) -> None:
    mistakes: list[Mistake] = []
    material = str(rows.material[0])
    if (material in _FILM) != (expansion is None):
        found = f'material "{material}" and {"no" if expansion is None else f"{expansion:g}e-6/K"}'
        expected = "a coupon with its expansion, or the material film without one"
        remedy = "State the coupon's expansion in bench.toml, or write film for a bare film."
        mistakes.append(rows.mistake(0, found + " as its expansion", expected, remedy))
    if yields == "mechanical" and expansion is None:
        remedy = 'Write yields = "total", or run the gauges on a coupon of known expansion.'
        found = "yields = mechanical for a bare film"
        mistakes.append(rows.mistake(None, found, "total", remedy))
    batches = sorted(set(rows.batch.tolist()))
    if len(batches) > 1:
        remedy = "Calibrate each batch from a folder of its own."
        found = "batches " + ", ".join(batches)
        mistakes.append(rows.mistake(None, found, "one batch", remedy))
    if for_batch and len(rows.serials) < 2:
        remedy = "Run two more gauges of the batch, or calibrate this one by its serial."
        found = "one gauge, which says nothing of the spread of its batch"
        mistakes.append(rows.mistake(None, found, "at least two, better three", remedy))
    if float(np.ptp(rows.temperature)) < 5.0:
        remedy = "Run the chamber over the temperatures of the structure."
        found = f"temperatures within {float(np.ptp(rows.temperature)):.1f} K"
        mistakes.append(rows.mistake(None, found, "at least 5 K", remedy))
    if mistakes:
        raise ConfigError(tuple(mistakes))


def _notes(rows: ChamberRuns, fits: Sequence[GaugeFit], *, has_humidity: bool) -> list[str]:
    notes = []
    for fit in fits:
        serial = fit.design.serial
        moved = abs(fit.slope_without_drift - float(fit.output[0]))
        if fit.confounded > 0.5 and moved > 2.0 * float(np.sqrt(fit.covariance[0, 0])):
            notes.append(
                f"Gauge {serial}: temperature and drift go together (correlation "
                f"{fit.confounded:.2f}); without the drift the slope would be "
                f"{fit.slope_without_drift:.4g} and not {fit.output[0]:.4g} per K."
            )
        if has_humidity and fit.tau > _MOST_TAU_SPAN * float(np.ptp(fit.design.time)):
            notes.append(
                f"Gauge {serial}: the run is shorter than the film's time constant "
                f"({fit.tau:.0f} s); run longer to resolve it."
            )
    together = np.corrcoef(rows.temperature, rows.humidity)[0, 1] if np.ptp(rows.humidity) else 0.0
    if abs(together) > 0.5:
        notes.append(
            f"Humidity follows temperature in this run (correlation {together:.2f}): their effects "
            "are told apart only as far as the uncertainties say."
        )
    return notes
