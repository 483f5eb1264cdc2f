"""
Repeatability and reproducibility after ISO 5725-2: each load level, and the factor at full scale.

A group is a gauge, its values are its runs; the value at a level is the secant factor δ/ε of
loading there, so that gauges which feel another strain at one load can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bench.findings import Finding
from pipeline.bench.response import GaugeResponse
from pipeline.physics.anova import Anova, Precision, mandel, one_way, precision


@dataclass(frozen=True)
class LevelPrecision:
    """One load level; `precision` is that of the secant factor there."""

    strain_um_m: float
    """Mean over the gauges."""
    precision: Precision


@dataclass(frozen=True)
class FactorPrecision:
    """The factor at full scale over gauges and runs."""

    precision: Precision
    table: Anova | None
    """None with one gauge."""
    h: tuple[float, ...]
    k: tuple[float, ...]
    """Mandel's statistics of each gauge; NaN with one gauge."""


def level_precision(gauges: Sequence[GaugeResponse]) -> tuple[LevelPrecision, ...]:
    """Every loaded level that all gauges have, from the lowest strain on."""
    found = []
    loads = gauges[0].loads
    slack = 0.02 * float(np.max(np.abs(loads)))
    for load in loads[loads != 0.0]:
        groups, strains = [], []
        for gauge in gauges:
            at = np.flatnonzero(np.abs(gauge.loads - load) <= slack)
            values = _secants(gauge, int(at[0])) if len(at) else []
            if values:
                groups.append(values)
                strains.append(float(gauge.strains[at[0]]))
        if len(groups) == len(gauges):
            strain = float(np.mean(strains)) * 1e6
            found.append(LevelPrecision(strain, precision(groups)))
    return tuple(found)


def factor_precision(findings: Sequence[Finding]) -> FactorPrecision:
    """Precision of the factor at full scale."""
    groups = [one.run_factors for one in findings]
    if len(groups) == 1:
        return FactorPrecision(precision(groups), None, (math.nan,), (math.nan,))
    h, k = mandel(groups)
    return FactorPrecision(precision(groups), one_way(groups), tuple(h.tolist()), tuple(k.tolist()))


def _secants(gauge: GaugeResponse, level: int) -> list[float]:
    values = []
    for run in gauge.runs:
        rows = run.is_up & (run.level == level)
        if rows.any():
            values.append(float(np.mean(run.delta[rows] / run.strain[rows])))
    return values
