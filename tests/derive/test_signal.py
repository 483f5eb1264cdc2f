"""
Lead wires that warm and cool, and what is not known of the signal path.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.gauges import Signal
from pipeline.derive.signal import signal_of
from pipeline.site.models import Channel
from tests.derive.examples import LINE, calibration, placement, structure
from tests.derive.streams import floats, readings

SHEET = calibration("full", LINE.model_copy(update={"covariance": ((0.0,),), "reading_u": 0.0}))
QUARTER: dict[str, Any] = {
    "wiring": "quarter_2wire",
    "unstrained": 0.0,
    "nominal_ohm": 350.0,
    "lead_ohm": 1.5,
}
NAMED: dict[str, Any] = {"lead_temperature_channel": "ta", "lead_temperature_c": 15.0}


def compiled(**gauge: Any) -> Signal:
    """The signal path of one placement."""
    channel = Channel(id="G", node="n1", kind="bridge", unit="/", interval_s=60.0)
    return signal_of(placement("G", **gauge), channel, 1.0)


def shown(delta: float, leads: float, at_rest: float = 353.0) -> float:
    """Output of a quarter bridge of 350 Ω whose leads have that resistance together."""
    x = (350.0 * (1.0 + delta) + leads) / at_rest
    return 0.5 * (x - 1.0) / (x + 1.0)


def run(values: list[float], warmth: list[float] | None, **gauge: Any) -> Results:
    """Readings a minute apart, the leads' temperature a second before each."""
    plan = compile_plan(structure((placement("G", **gauge),), (), (SHEET,)))
    t = np.arange(len(values)) * 60.0 + 10.0
    sent = {"G": (t, values)}
    if warmth is not None:
        sent["ta"] = (t[: len(warmth)] - 1.0, warmth)
    return run_chain(readings(sent), initial_state(plan), plan)[0]


def test_warm_leads_are_taken_off_where_a_channel_tells_their_temperature() -> None:
    """By hand: 3 Ω of copper 20 K warmer are 3.2358 Ω, 321 µm/m at a factor of 2.1."""
    warm = [shown(0.0, 3.2358), shown(2.1e-3, 3.2358), shown(2.1e-3, 2.8821)]

    results = run(warm, [35.0, 35.0, 5.0], **QUARTER, **NAMED)
    ignored = run(warm[:1], None, **QUARTER)

    assert floats(results, "indicated") == pytest.approx([0.0, 1000.0, 1000.0], rel=1e-9, abs=1e-7)
    assert floats(ignored, "indicated")[0] == pytest.approx(320.8, rel=1e-3)


def test_warm_leads_of_a_two_wire_resistance_and_a_divider_are_taken_off() -> None:
    """The same 3.2358 Ω in series with 350 Ω, read in Ohm and as a share."""
    ohm = 350.0 * (1 + 2.1e-3) + 3.2358
    two_wire = run(
        [ohm], [35.0], wiring="resistance_2wire", unstrained=353.0, lead_ohm=1.5, **NAMED
    )
    share: dict[str, Any] = {"wiring": "divider", "unstrained": 353.0 / 703.0}
    divider = run(
        [ohm / (ohm + 350.0)], [35.0], reference_ohm=350.0, lead_ohm=1.5, **share, **NAMED
    )

    assert floats(two_wire, "indicated")[0] == pytest.approx(1000.0, rel=1e-9)
    assert floats(divider, "indicated")[0] == pytest.approx(1000.0, rel=1e-9)


@pytest.mark.parametrize(
    ("stated", "kelvin"),
    [({}, 20.0), (NAMED, 2.0), ({"lead_temperature_u_k": 7.0}, 7.0)],
)
def test_what_is_not_known_of_the_leads_is_in_the_uncertainty(
    stated: dict[str, Any], kelvin: float
) -> None:
    """By hand: 3 Ω·0.00393/K/350 Ω = 3.3686e-5 per K, over a factor of 2.1 times 0.98 (U95/2)."""
    results = run([0.0], [15.0] if stated is NAMED else None, **QUARTER, **stated)

    expected = 3.3685714e-5 * kelvin / 2.1 * 1e6 * 0.9799820
    assert floats(results, "u")[0] == pytest.approx(expected, rel=1e-6)


def test_leads_whose_named_temperature_is_missing_are_flagged_and_less_certain() -> None:
    """By hand: within -20 to 50 °C leads are at most 35 K from 15 °C, rectangular: 20.2 K."""
    results = run([0.0, 0.0], [15.0], climate_age_s=30.0, **QUARTER, **NAMED)
    tests = results.column("tests").astype(np.int64)

    assert (tests & TEST_BIT["uncompensated"] != 0).tolist() == [False, True]
    expected = 3.3685714e-5 * 35.0 / np.sqrt(3.0) / 2.1 * 1e6 * 0.9799820
    assert floats(results, "u")[1] == pytest.approx(expected, rel=1e-6)
    assert np.isfinite(floats(results, "value")).all()


@pytest.mark.parametrize(
    "gauge",
    [
        {**QUARTER, "wiring": "quarter_3wire"},
        {**QUARTER, "wiring": "half_bending"},
        {**QUARTER, "lead_ohm": 0.0},
    ],
)
def test_leads_that_cancel_or_are_not_there_are_not_counted(gauge: dict[str, Any]) -> None:
    """A lead in each of two adjacent arms warms both."""
    assert compiled(**gauge).leads is None


@pytest.mark.parametrize(
    ("gauge", "expected"),
    [
        ({"unstrained": 350.0}, 1.0 / 350.0),
        ({"unstrained": 353.0, "wiring": "resistance_2wire", "lead_ohm": 1.5}, 1.0 / 350.0),
        ({"unstrained": 0.5, "wiring": "divider", "reference_ohm": 350.0}, 4.0),
        (QUARTER, 4.0 * 353.0 / 350.0),
        ({**QUARTER, "wiring": "half_bending"}, 2.0 * 351.5 / 350.0),
        ({**QUARTER, "wiring": "half_poisson", "poisson": 0.3}, 4.0 / 1.3 * 351.5 / 350.0),
        ({"unstrained": 0.0, "wiring": "full_bending"}, 1.0),
    ],
)
def test_uncertainty_of_the_unstrained_value_is_in_delta(
    gauge: dict[str, Any], expected: float
) -> None:
    """dδ/d(value) of each wiring by hand, leads included."""
    assert compiled(unstrained_u=1e-6, **gauge).unstrained_u == pytest.approx(
        expected * 1e-6, rel=1e-7
    )


def test_companion_is_read_through_its_own_impedance_and_leads() -> None:
    """An impedance beside a two-wire gauge; without Im(Z) it is missing, not wrong."""
    pair = (
        placement("C1", compensation="companion", companion="K1"),
        placement("K1", wiring="impedance", unstrained=300e3, imaginary_channel="K1-im"),
        placement("C2", compensation="companion", companion="K2"),
        placement("K2", point="P-K2", channel="K2", **QUARTER, **NAMED),
    )
    plan = compile_plan(structure(pair, (), (SHEET,), beside=("K1-im",)))
    z = 1.0 / (1.0 / (300e3 * (1 + 2.1e-3)) + 1j * 2e3 * np.pi * 1e-10)
    t = np.array([0.0, 60.0])
    stream = readings(
        {
            "C1": (t + 2.0, [10_000.0 * (1 + 4.2e-3)] * 2),
            "C2": (t + 2.0, [10_000.0 * (1 + 4.2e-3)] * 2),
            "K1": (t, [z.real] * 2),
            "K1-im": (t[:1], [z.imag]),
            "K2": (t, [shown(2.1e-3, 3.2358)] * 2),
            "ta": (t, [35.0] * 2),
        }
    )
    results, _ = run_chain(stream, initial_state(plan), plan)
    names = np.array(results.table.column("point").to_pylist())
    value, tests = floats(results, "mechanical"), results.column("tests").astype(np.int64)

    assert value[names == "P-C1"] == pytest.approx([1000.0, 2000.0], rel=1e-9)
    assert value[names == "P-C2"] == pytest.approx([1000.0, 1000.0], rel=1e-9)
    missing = tests[names == "P-C1"] & TEST_BIT["companion_missing"] != 0
    assert missing.tolist() == [False, True]
