"""
Bridges and meters against Kirchhoff's laws and published tables.
"""

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.simulate.electrics import bridge_ratio, converted, measured
from pipeline.simulate.scenario import Channel, Gauge

REFERENCE = Path(__file__).parents[3] / "shared" / "reference" / "strain"
needs_reference = pytest.mark.skipif(
    not REFERENCE.is_dir(), reason="the published check values are not beside this checkout"
)


def gauge(**changes: Any) -> Gauge:
    """A quarter bridge of 350 Ω with three wires, unless told otherwise."""
    usual: dict[str, Any] = {
        "serial": "g",
        "batch": "b",
        "point": "p",
        "channel": "c",
        "wiring": "quarter_3wire",
        "resistance_ohm": 350.0,
        "start_us": 0,
    }
    return Gauge(**{**usual, **changes})


def kirchhoff(active: float, completion: float, half: float) -> float:
    """Potential difference of the middles from the node equations of the whole bridge at 1 V."""
    # Unknown: the two middle nodes; a meter of 1 PΩ between them.
    meter = 1e-15
    conductance = np.array(
        [[1 / active + 1 / completion + meter, -meter], [-meter, 2 / half + meter]]
    )
    # The top of both halves is at 1 V; the active arm is the lower one of its half.
    current = np.array([1 / completion, 1 / half])
    left, right = np.linalg.solve(conductance, current)
    return float(left - right)


@pytest.mark.parametrize("delta", [-0.02, -1e-4, 0.0, 1e-4, 0.02, 0.5])
@pytest.mark.parametrize(("lead", "imbalance"), [(0.0, 0.0), (3.5, 4e-4), (0.6, -3e-4)])
def test_three_wire_output_is_that_of_the_node_equations(
    delta: float, lead: float, imbalance: float
) -> None:
    """One lead in the active arm and one in the completion's: solved by Kirchhoff's laws."""
    found = measured(gauge(lead_ohm=lead, imbalance=imbalance), np.array([delta]))[0]

    assert found == pytest.approx(
        kirchhoff(350 * (1 + delta) + lead, 350 * (1 - imbalance) + lead, 350.0), abs=1e-11
    )


def test_two_wire_output_has_both_leads_in_the_active_arm() -> None:
    """Both leads are in series with the gauge, none with the completion."""
    found = measured(gauge(wiring="quarter_2wire", lead_ohm=2.0), np.array([1e-3]))[0]

    assert found == pytest.approx(kirchhoff(350.35 + 4.0, 350.0, 350.0), abs=1e-11)


@needs_reference
def test_quarter_bridge_meets_the_published_table() -> None:
    """Balanced quarter bridge without leads: every row of the table to its digits."""
    lines = (REFERENCE / "bridge_quarter.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    delta = np.array([float(r["gauge_factor"]) * float(r["strain_microstrain"]) for r in rows])
    exact = np.array([float(r["ratio_exact_mV_per_V"]) for r in rows])

    assert len(rows) > 10
    assert measured(gauge(), delta * 1e-6) * 1e3 == pytest.approx(exact, rel=1e-9)


@needs_reference
def test_leads_take_their_published_share_of_the_sensitivity() -> None:
    """Three-wire desensitisation R/(R + R_L), from the small-signal output."""
    cases = json.loads((REFERENCE / "lead_wire_and_shunt.json").read_text())["lead_wire"]
    for case in cases:
        leads = gauge(resistance_ohm=case["gauge_ohm"], lead_ohm=case["lead_ohm_each"])
        step = 1e-7
        output = measured(leads, np.array([step]))[0] * 4 / step

        assert output * case["gauge_factor"] == pytest.approx(
            case["effective_gauge_factor"], rel=1e-6
        )


def test_leakage_looks_like_compression() -> None:
    """100 MΩ across 300 kΩ looks like -150 µm/m at a factor of 20."""
    leaky = gauge(wiring="resistance_4wire", resistance_ohm=300e3, leakage_ohm=100e6)
    apparent = measured(leaky, np.zeros(1))[0] / 300e3 - 1

    assert apparent / 20 * 1e6 == pytest.approx(-150, abs=0.5)


def test_two_wire_resistance_holds_both_leads() -> None:
    """A meter on two wires reads the leads too."""
    wired = gauge(wiring="resistance_2wire", resistance_ohm=1000.0, lead_ohm=1.5)

    assert measured(wired, np.array([0.01]))[0] == pytest.approx(1013.0)


def test_an_unknown_wiring_is_refused_with_those_there_are() -> None:
    """The message names the gauge, what was found and what there is."""
    with pytest.raises(ValueError, match=r'gauge "g": wiring "full".*quarter_3wire'):
        measured(gauge(wiring="full"), np.zeros(1))


def test_more_resistance_gives_more_output() -> None:
    """Tension in the active arm is positive."""
    assert bridge_ratio(np.array([350.1]), 350.0)[0] > 0


def test_a_converter_steps_and_stops_at_its_ends() -> None:
    """Values fall on whole steps, as the decimals a logger prints, and never leave the ends."""
    channel = Channel("c", "n", "/", 1.0, 0.0, 1e-8, -0.004, 0.004)
    value = converted(channel, np.array([3.13242e-5, 0.5, -0.5]), np.zeros(3))

    assert value.tolist() == [3.132e-05, 0.004, -0.004]
