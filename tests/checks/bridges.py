"""
Wheatstone bridges, lead wires and shunt resistors.

Strain comes back from the printed output by the inverse that the chain uses; of several active
arms the output is worked out forward as well.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from pipeline.physics.arms import arm_strains, equivalent_delta, output_ratio
from pipeline.physics.bridge import (
    COPPER_PER_K,
    arm_resistance,
    gauge_resistance,
    quarter_bridge_delta,
    resistance_delta,
    shunt_delta,
)
from tests.checks.row import Check, Topic

OUTPUT_DIGITS = 12
SOURCE = "computed there"

# Quarter bridge: gauge factor, strain [µm/m], output [mV/V]. Voltages of the nodes, which are
# differences of numbers near ½: good to 1e-16 V/V, so that small strains have fewer digits.
QUARTER = {
    2.0: {
        -10000: -5.05050505051,
        -5000: -2.51256281407,
        -1000: -0.5005005005,
        -100: -0.0500050005001,
        1: 0.000499999499914,
        10: 0.00499995000047,
        100: 0.0499950005,
        500: 0.249875062469,
        1000: 0.499500499501,
        2000: 0.998003992016,
        5000: 2.48756218905,
        10000: 4.9504950495,
        50000: 23.8095238095,
    },
    2.1: {
        -10000: -5.30570995452,
        -5000: -2.63885398341,
        -1000: -0.525551829421,
        -100: -0.0525055130789,
        1: 0.000524999448803,
        10: 0.0052499448755,
        100: 0.0524944880788,
        500: 0.262362259814,
        1000: 0.524449328205,
        2000: 1.0477996208,
        5000: 2.6112907237,
        10000: 5.19544779812,
        50000: 24.9406175772,
    },
}
# Where those voltages leave fewer than 12 digits of the output.
FEWER = {(2.0, 1): 9, (2.1, 1): 9, (2.1, 10): 10, (2.0, 10): 11, (2.0, 1000): 11, (2.0, -1000): 11}
# Factor 2, ν 0.3: strain [µm/m], output [mV/V].
SEVERAL = {
    "half_bending": {1000: "1", -2000: "-2"},
    "half_poisson": {1000: "0.649545318277", -2000: "-1.30182255157"},
    "full_bending": {1000: "2", -2000: "-4"},
    "full_poisson_axial": {1000: "1.29909063655", -2000: "-2.60364510314"},
}
# Gauge [Ω], lead [Ω], factor, strain, what is indicated if leads are ignored, factor that is left.
LEADS = (
    (120.0, 1.0, 2.0, "0.001", "0.0009917355372", "1.983471074"),
    (350.0, 3.5, 2.1, "0.0005", "0.000495049505", "2.079207921"),
)
# Gauge and shunt [Ω] that simulate -1000 µm/m at a factor of 2.
SHUNTS = ((120.0, 59880.0), (350.0, 174650.0))
SHUNT_OUTPUT = "-0.5005005005"
"""mV/V."""


def quarter(factor: float) -> list[Check]:
    """Output from the strain, and strain from the printed output, of one active arm."""
    rows, name = [], f"k = {factor}"
    for strain, output in QUARTER[factor].items():
        forward = float(output_ratio([factor * strain * 1e-6, 0.0, 0.0, 0.0])) * 1e3
        back = float(quarter_bridge_delta(output * 1e-3)) / factor * 1e6
        at, must = f"at {strain} µm/m", FEWER.get((factor, strain), OUTPUT_DIGITS)
        printed, least = f"{output:.12g}", min(must, 11)
        rows += [
            Check(name, f"output {at}", SOURCE, printed, forward, "mV/V", must, OUTPUT_DIGITS),
            Check(name, f"strain {at}", SOURCE, str(strain), back, "µm/m", least, OUTPUT_DIGITS),
        ]
    return rows


def several(wiring: str) -> list[Check]:
    """Output from the strain, and strain from the output, of several active arms."""
    rows, name = [], wiring.replace("_", " ")
    for strain, output in SEVERAL[wiring].items():
        arms = [a * 2.0 * strain * 1e-6 for a in arm_strains(wiring, 0.3)]
        forward = float(output_ratio(arms)) * 1e3
        back = float(equivalent_delta(float(output) * 1e-3, wiring, 0.3)) / 2.0 * 1e6
        at = f"at {strain} µm/m"
        rows += [
            Check(name, f"output {at}", SOURCE, output, forward, "mV/V", 12, OUTPUT_DIGITS),
            Check(name, f"strain {at}", SOURCE, str(strain), back, "µm/m", 11, OUTPUT_DIGITS),
        ]
    return rows


def leads() -> list[Check]:
    """Three-wire quarter bridges: what leads take, and what is left when they are undone."""
    rows = []
    for gauge, lead, factor, strain, ignored, left in LEADS:
        arm = arm_resistance(gauge * (1.0 + factor * float(strain)), lead, None)
        seen = float(resistance_delta(arm, gauge + lead))
        undone = float(resistance_delta(gauge_resistance(arm, lead, None), gauge)) / factor
        name = f"{gauge:g} Ω, leads {lead:g} Ω"
        rows += [
            Check(name, "strain if ignored", SOURCE, ignored, seen / factor, "m/m", 10, 10),
            Check(name, "factor that is left", SOURCE, left, seen / float(strain)),
            Check(name, "strain, leads undone", SOURCE, strain, undone, "m/m", 10, 10),
        ]
    copper = Check("copper", "α_R near 20 °C", "from memory", "0.00393", COPPER_PER_K, "1/K")
    return [*rows, copper]


def shunts() -> list[Check]:
    """What a resistor across the gauge simulates, and the output that it makes."""
    rows = []
    for gauge, shunt in SHUNTS:
        delta = shunt_delta(gauge, shunt)
        output = float(output_ratio([delta, 0.0, 0.0, 0.0])) * 1e3
        back = float(quarter_bridge_delta(float(SHUNT_OUTPUT) * 1e-3)) / 2.0 * 1e6
        name = f"{shunt:g} Ω across {gauge:g} Ω"
        rows += [
            Check(name, "δ", "from memory", "-0.002", delta, "", 12, 12),
            Check(
                name, "strain at k = 2", "from memory", "-1000", delta / 2.0 * 1e6, "µm/m", 12, 12
            ),
            Check(name, "output", SOURCE, SHUNT_OUTPUT, output, "mV/V", 10),
            Check(name, "strain from the output", SOURCE, "-1000", back, "µm/m", 10, 10),
        ]
    return rows


_ITEMS: dict[str, Callable[[], list[Check]]] = {
    **{f"quarter bridge, k = {factor}": partial(quarter, factor) for factor in QUARTER},
    **{wiring.replace("_", " "): partial(several, wiring) for wiring in SEVERAL},
    "leads": leads,
    "shunt": shunts,
}
BRIDGES = Topic(
    "Bridges, leads and shunts",
    'Closed forms of Dally and Riley, Experimental Stress Analysis, from memory; "computed '
    'there" are node voltages that were solved apart from this software. 59,880 Ω across 120 Ω is '
    "a textbook value; copper after IEC 60028.",
    _ITEMS,
    (
        "A strain that the table sets is exact; it is found again from the printed output, whose "
        "rounding leaves 11 digits of it.",
        "Outputs of the table are differences of node voltages near ½ and good to 1e-16 V/V: at "
        "1 and 10 µm/m its last digits are rounding errors of its own (exactly "
        "0.000499999500000500 at 1 µm/m and k = 2), at 1000 µm/m they lie next to a tie.",
    ),
)
