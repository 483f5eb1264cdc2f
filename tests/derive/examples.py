"""
Invented gauges on an invented footbridge, as models; what the tests of the chain run on.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from pipeline.derive.gauges import Plan
from pipeline.derive.plan import compile_plan
from pipeline.site.models import (
    Ageing,
    Calibration,
    Channel,
    Creep,
    Curve,
    Moisture,
    Node,
    Placement,
    Point,
    Structure,
    Temperature,
    Zero,
)

START = datetime(2031, 3, 1, tzinfo=UTC)
START_US = int(START.timestamp()) * 1_000_000
LATER = START + timedelta(days=3650)
EXPANSION = 12.0

LINE = Curve(
    kind="line",
    coefficients=(2.1,),
    range_um_m=(-3000.0, 3000.0),
    covariance=((1e-4,),),
    degrees_of_freedom=9.0,
    reading_u=1e-6,
)
KNOTS_UM_M = (-1500.0, -700.0, -200.0, 0.0, 300.0, 800.0, 1500.0)
KNOTS_DELTA = (-0.0252, -0.0131, -0.0039, 0.0, 0.0062, 0.0159, 0.0276)
BENT = Curve(
    kind="monotone",
    knots_strain_um_m=KNOTS_UM_M,
    knots_delta=KNOTS_DELTA,
    range_um_m=(-1500.0, 1500.0),
    covariance=tuple(tuple(1e-9 if i == j else 0.0 for j in range(7)) for i in range(7)),
    degrees_of_freedom=4.0,
    between_gauges=0.02,
    gauges=3,
    reading_u=2e-6,
)
CUBIC = Curve(
    kind="cubic",
    coefficients=(20.0, -1500.0, -9e5),
    range_um_m=(-1200.0, 1500.0),
    covariance=((1e-3, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1e3)),
    degrees_of_freedom=6.0,
)
FOIL_OUTPUT = Temperature(
    output_um_m=(0.8, -0.05, 0.001),
    output_factor=2.1,
    yields="mechanical",
    factor_per_k=1e-4,
    range_c=(-10.0, 50.0),
    output_u=0.05,
)
FILM_OUTPUT = Temperature(
    output=(1.5e-4, 2e-6, -1e-8),
    yields="mechanical",
    factor_per_k=-8e-4,
    factor_per_k_u=1e-4,
    range_c=(-10.0, 50.0),
    output_u=0.05,
)
DAMP = Moisture(output=(4e-3, 1e-3), time_constant_s=5400.0, activation_k=2500.0, output_u=0.1)
CREEP = (
    Creep(fraction=0.03, fraction_u=0.005, time_constant_s=600.0),
    Creep(fraction=0.05, fraction_u=0.01, time_constant_s=20000.0),
)
AGEING = Ageing(kind="logarithmic", per_year=-2e-4, per_year_u=5e-5)


def calibration(identity: str, curve: Curve | None = LINE, **changes: Any) -> Calibration:
    """A calibration of batch B1 with its curve alone; `changes` are fields of the model."""
    fields: dict[str, Any] = {
        "id": identity,
        "kind": "strain",
        "batch": "B1",
        "author": "I. Invented",
        "source": "bench.csv",
        "instrument": "meter 1",
        "recorded": START,
        "valid_from": START,
        "expires": LATER,
        "curve": curve,
    }
    return Calibration(**{**fields, **changes})


FOIL = calibration("foil", temperature=FOIL_OUTPUT, serial="F1", batch=None)
FULL = calibration("full", BENT, temperature=FILM_OUTPUT, moisture=DAMP, creep=CREEP, ageing=AGEING)
PLAIN_FILM = calibration("film", CUBIC, temperature=FILM_OUTPUT, creep=CREEP[:1])
TILT = calibration("tilt", None, kind="linear", scale=0.5, scale_u=0.001)


def placement(serial: str, **changes: Any) -> Placement:
    """A gauge `serial` at point `P-serial` on channel `serial`, four-wire, 10 kΩ, from START."""
    fields: dict[str, Any] = {
        "serial": serial,
        "batch": "B1",
        "point": f"P-{serial}",
        "valid_from": START,
        "channel": serial,
        "wiring": "resistance_4wire",
        "unstrained": 10_000.0,
        "calibration": "full",
        "compensation": "model",
        "temperature_channel": "ts",
        "climate_age_s": 900.0,
    }
    return Placement(**{**fields, **changes})


def foil(**changes: Any) -> Placement:
    """F1: foil of constant factor in a three-wire quarter bridge with leads of 2 Ω."""
    fields: dict[str, Any] = {
        "wiring": "quarter_3wire",
        "unstrained": 1.5e-4,
        "unstrained_u": 1e-6,
        "unstrained_temperature_c": 23.0,
        "lead_ohm": 2.0,
        "nominal_ohm": 350.0,
        "calibration": "foil",
    }
    return placement("F1", **{**fields, **changes})


def film(serial: str = "C1", **changes: Any) -> Placement:
    """A printed gauge with everything there is to be taken off."""
    fields: dict[str, Any] = {
        "unstrained_temperature_c": 17.0,
        "unstrained_humidity_rh": 62.0,
        "unstrained_u": 0.05,
        "leakage_ohm": 5e8,
        "humidity_channel": "rh",
        "air_temperature_channel": "ta",
    }
    return placement(serial, **{**fields, **changes})


def zero(serial: str, after_h: float, **changes: Any) -> Zero:
    """A zero `after_h` hours from START, at 20 °C."""
    fields: dict[str, Any] = {
        "serial": serial,
        "valid_from": START + timedelta(hours=after_h),
        "recorded": START + timedelta(hours=after_h),
        "offset_delta": 3e-4,
        "offset_delta_u": 2e-6,
        "known_strain_um_m": 0.0,
        "temperature_c": 20.0,
        "by": "I. Invented",
        "reason": "unloaded at night",
    }
    return Zero(**{**fields, **changes})


def structure(
    placements: tuple[Placement, ...],
    zeros: tuple[Zero, ...] = (),
    calibrations: tuple[Calibration, ...] = (FOIL, FULL, PLAIN_FILM, TILT),
    interval_s: float = 60.0,
    points: dict[str, dict[str, Any]] | None = None,
    beside: tuple[str, ...] = (),
    **channel: Any,
) -> Structure:
    """
    The footbridge with these gauges; `points` changes fields by point or adds one, `channel` those
    of the gauges' channels, `beside` names further ones like them.
    """
    changes = points or {}
    channels = [
        Channel(id="ts", node="n1", kind="temperature", unit="Cel", interval_s=interval_s),
        Channel(id="ta", node="n1", kind="temperature", unit="Cel", interval_s=interval_s),
        Channel(id="rh", node="n1", kind="humidity", unit="%RH", interval_s=interval_s),
    ]
    for name in dict.fromkeys((*(p.channel for p in placements), *beside)):
        fields = {"kind": "resistance", "unit": "Ohm", **channel}
        channels.append(Channel(id=name, node="n1", interval_s=interval_s, **fields))
    return Structure(
        id="footbridge",
        name="Footbridge at Nowhere",
        material="steel",
        expansion_1e6_per_k=EXPANSION,
        nodes=(Node(id="n1", structure="footbridge"),),
        channels=tuple(channels),
        points=tuple(
            Point(id=name, structure="footbridge", member="deck", **changes.get(name, {}))
            for name in dict.fromkeys((*(p.point for p in placements), *changes))
        ),
        placements=placements,
        calibrations=calibrations,
        zeros=zeros,
    )


def electrical() -> tuple[Placement, ...]:
    """Full bridge, half bridge of bent curves, divider with warm leads and warm-up, impedance."""
    bridge = {"wiring": "full_poisson_axial", "unstrained": -2e-4, "poisson": 0.3}
    half = {"wiring": "half_poisson", "unstrained": 1e-3, "poisson": 0.3, "lead_ohm": 20.0}
    divider = {"wiring": "divider", "unstrained": 0.5, "reference_ohm": 10_000.0, "lead_ohm": 5.0}
    leads = {"lead_temperature_channel": "ta", "lead_temperature_c": 15.0, "meter_ohm": 1e7}
    return (
        placement("B1", calibration="foil", **bridge),
        film("B2", nominal_ohm=10_000.0, leakage_ohm=None, **half),
        placement("D1", calibration="film", warm_up_s=300.0, **divider, **leads),
        placement("Z1", calibration="film", wiring="impedance", imaginary_channel="Z1-im"),
    )


def everything() -> Plan:
    """
    Foil with a zero and shunt checks within, a full film, two films with a companion, a film that
    is replaced, a full bridge, a half bridge of bent curves, a divider with warm leads, an
    impedance and a tilt sensor: one gauge for each way through the stages and their tests.
    """
    swap = START + timedelta(hours=5)
    tested = {"gross_low": -800.0, "gross_high": 800.0, "rate_per_s": 2.0, "flat_s": 600.0}
    noisy = {"noise_s": 1800.0, "noise_low": 40.0, "noise_high": 90.0, "spike_height": 15.0}
    placements = (
        foil(shunt_channel="F1-shunt", shunt_ohm=174_650.0, shunt_point="P-F1-shunt"),
        film("C1"),
        placement("C2", calibration="film", compensation="companion", companion="K2"),
        placement("K2", calibration="film"),
        film("C5", compensation="companion", companion="K5"),
        film("K5"),
        film("C3", valid_to=swap),
        film("C4", valid_from=swap, point="P-C3", channel="C3", unstrained=9_900.0),
        *electrical(),
        placement("T1", wiring="linear", calibration="tilt", unstrained=0.3),
    )
    return compile_plan(
        structure(
            placements,
            zeros=(zero("F1", 3.0), zero("C1", -1.0), zero("C1", 7.0)),
            points={
                "P-F1": {**tested, **noisy, "flat_tolerance": 0.5},
                "P-C1": {**tested, "watched": "total", "leakage_drop": 0.007, **noisy},
                "P-C2": {"companion_um_m": 100.0, "clock_intervals": 1.2},
                "P-C5": {"companion_um_m": 100.0, "noise_s": 900.0, "noise_high": 30.0},
                "P-F1-shunt": {"quantity": "shunt", "unit": "1", "gross_low": 0.99},
                "P-T1": {
                    "quantity": "tilt",
                    "unit": "mm/m",
                    "rate_per_s": 0.01,
                    "clock_intervals": 1.4,
                    "noise_s": 600.0,
                    "noise_low": 1e-3,
                    "noise_high": 2e-2,
                    "spike_height": 1e-3,
                },
            },
            beside=("F1-shunt", "Z1-im"),
        )
    )
