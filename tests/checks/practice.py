"""
Facts of the trade, and what this software makes of them.

Common practice: what people of the trade take for granted, without one source that owns it.
"""

from __future__ import annotations

import numpy as np

from pipeline.physics.beam import standoff_ratio
from pipeline.physics.bridge import arm_resistance, quarter_bridge_delta, resistance_delta
from pipeline.physics.curve import polynomial_curve
from pipeline.physics.environment import surface_humidity
from pipeline.physics.meter import parallel_resistance
from tests.checks.row import Check, Topic

COMMON, BY_HAND = "common practice", "by hand"

# Factor of metal foil; of a printed carbon gauge on soft film, at the change given.
FOIL = (2.0, 2.13)
PRINTED_FACTOR, PRINTED_CHANGE, PRINTED_STRAIN = 20.76, 0.026, "1252"


def foil() -> list[Check]:
    """1000 µm/m on foil changes its resistance by 0.2 to 0.213 %."""
    rows = []
    for factor, printed in zip(FOIL, ("0.2", "0.213"), strict=True):
        curve = polynomial_curve([factor], -3e-3, 3e-3)
        change = float(curve.delta(1e-3)) * 100.0
        back = float(curve.inverse(float(printed) / 100.0)) * 1e6
        name = f"foil, factor {factor:g}"
        rows += [
            Check(name, "change at 1000 µm/m", COMMON, printed, change, "%", 10, 10),
            Check(name, "strain at that change", COMMON, "1000", back, "µm/m", 10, 10),
        ]
    return rows


def printed_gauge() -> list[Check]:
    """
    2.6 % at a factor of 20.76 is 1252 µm/m; the factor depends on the load.

    The bent curve has half of that factor at no load and reaches it at 1252 µm/m: with s = ε/ε_1,
    δ/δ_1 = (s + s²)/2, so that half the change is at s² + s - 1 = 0, s = (√5 - 1)/2.
    """
    name, full = "printed carbon, factor 20.76", PRINTED_CHANGE / PRINTED_FACTOR
    line = polynomial_curve([PRINTED_FACTOR], -2e-3, 2e-3)
    bent = polynomial_curve([PRINTED_FACTOR / 2.0, PRINTED_FACTOR / 2.0 / full], -2e-4, 2e-3)
    at_half = float(bent.inverse(PRINTED_CHANGE / 2.0))
    known = "depends on the load" if bent.factor is None else f"{bent.factor:g} throughout"
    strain = float(line.inverse(PRINTED_CHANGE)) * 1e6
    by_curve = float(bent.inverse(PRINTED_CHANGE)) * 1e6
    share = "0.618033988750"
    return [
        Check(name, "strain at 2.6 %", COMMON, PRINTED_STRAIN, strain, "µm/m"),
        Check("bent curve", "factor", COMMON, "depends on the load", known),
        Check("bent curve", "strain at 2.6 %", COMMON, PRINTED_STRAIN, by_curve, "µm/m"),
        Check("bent curve", "strain at 1.3 % over that", BY_HAND, share, at_half / full),
    ]


def instrument() -> list[Check]:
    """What high-resistance gauges and wide swings do to textbook forms."""
    leak = float(resistance_delta(arm_resistance(300e3, 0.0, 100e6), 300e3)) / 20.0 * 1e6
    z = 1.0 / (1.0 / 300e3 + 2j * np.pi * 1e3 * 100e-12)
    low = (1.0 - z.real / float(parallel_resistance(z.real, z.imag))) * 100.0
    # The output at which the exact form gives δ = 0.02: r = δ/(4 + 2δ).
    r = 0.02 / 4.04
    linear = (1.0 - 4.0 * r / float(quarter_bridge_delta(r))) * 100.0
    return [
        Check("100 MΩ beside 300 kΩ", "apparent strain, k = 20", COMMON, "-150", leak, "µm/m"),
        Check("300 kΩ beside 100 pF", "Re(Z) low at 1 kHz", COMMON, "3.4", low, "%"),
        Check("quarter bridge", "δ = 4r low at δ = 0.02", COMMON, "1", linear, "%"),
    ]


def film() -> list[Check]:
    """A film off the surface of a thin bar, and its humidity when it is not as warm as the air."""
    cold, warm = (float(surface_humidity(0.5, 20.0, at)) * 100.0 for at in (10.0, 35.0))
    stands_off = (standoff_ratio(1e-4, 3e-3) - 1.0) * 100.0
    name = "air 20 °C, 50 %RH"
    return [
        Check("0.1 mm film on 3 mm", "strain above the surface's", COMMON, "7", stands_off, "%"),
        Check(name, "humidity at a 10 °C surface", COMMON, "95", cold, "%RH"),
        Check(name, "humidity at a 35 °C surface", COMMON, "21", warm, "%RH"),
    ]


PRACTICE = Topic(
    "Facts of the trade",
    "Common practice: what people of the trade take for granted. Figures rounded as they are told.",
    {"foil": foil, "printed gauge": printed_gauge, "instrument": instrument, "film": film},
    (
        "Foil has a factor of 2 to 2.13, a printed carbon gauge on soft film one that reaches "
        "20.76 and depends on the load. The bent curve is an example: half of that factor "
        "at no load, all of it at 1252 µm/m. With a constant factor its strain at half the change "
        "would be a fifth too small.",
    ),
)
