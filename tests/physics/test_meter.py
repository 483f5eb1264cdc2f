"""
Dividers, input resistance and impedance: figures of the trade, and node voltages with a load.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.physics.meter import divider_resistance, open_output, parallel_resistance

KHZ = 2.0 * np.pi * 1e3


def impedance(resistance: float, farad: float, omega: float = KHZ) -> complex:
    """Z of a resistance beside a capacitance, by complex arithmetic."""
    return 1.0 / (1.0 / resistance + 1j * omega * farad)


def test_real_part_of_300_kiloohm_beside_100_picofarad_reads_low_and_the_admittance_does_not() -> (
    None
):
    """The trade's figure: 3.4 % low in Re(Z) at 1 kHz; 1/Re(Y) gives the resistance itself."""
    z = impedance(300e3, 100e-12)

    assert z.real / 300e3 - 1.0 == pytest.approx(-0.034, abs=5e-4)
    assert parallel_resistance(z.real, z.imag) == pytest.approx(300e3, rel=1e-13)
    assert parallel_resistance(z.real, -z.imag) == pytest.approx(300e3, rel=1e-13)


def test_at_one_nanofarad_the_real_part_falls_when_the_gauge_rises() -> None:
    """The trade's figure: the sensitivity of Re(Z) changes sign; that of 1/Re(Y) is 1."""
    low, high = impedance(300e3, 1e-9), impedance(303e3, 1e-9)
    real = high.real / low.real - 1.0
    parallel = parallel_resistance(high.real, high.imag) / parallel_resistance(low.real, low.imag)

    assert real < -0.004
    assert parallel - 1.0 == pytest.approx(0.01, rel=1e-9)


def test_open_gauge_with_its_cable_is_open_and_a_short_is_none() -> None:
    """What is left of an open gauge is the cable: Re(Z) is noise about 0 beside a large Im(Z)."""
    found = parallel_resistance([0.0, -3.0, 0.0, np.nan, 5.0], [-1.6e6, -1.6e6, 0.0, 1.0, np.nan])

    np.testing.assert_array_equal(found, [np.inf, np.inf, 0.0, np.nan, np.nan])


def test_divider_gives_its_resistance_back() -> None:
    """By hand: 120 kΩ below 80 kΩ takes 0.6 of the excitation."""
    assert divider_resistance(0.6, 80e3) == pytest.approx(120e3, rel=1e-14)
    np.testing.assert_array_equal(
        divider_resistance([0.0, -0.1, 1.0, 1.2, np.nan], 80e3), [0.0, 0.0, np.inf, np.inf, np.nan]
    )


def loaded(arms: tuple[float, float, float, float], meter: float) -> float:
    """Output over excitation of a bridge with a meter across it, by solving both nodes."""
    r1, r2, r3, r4 = arms
    conductance = np.array(
        [[1 / r1 + 1 / r2 + 1 / meter, -1 / meter], [-1 / meter, 1 / r3 + 1 / r4 + 1 / meter]]
    )
    # Arm 2 and arm 3 hang on the excitation, arm 1 and arm 4 on the other side.
    left, right = np.linalg.solve(conductance, np.array([1 / r2, 1 / r3]))
    return float(left - right)


@settings(deadline=None)
@given(delta=st.floats(-0.3, 0.3), meter=st.floats(1e6, 1e9))
def test_load_of_one_arm_is_undone_exactly(delta: float, meter: float) -> None:
    """Three arms of 300 kΩ and one that moves, on a meter of 1 MΩ to 1 GΩ."""
    rest = 300e3
    arms = (rest * (1.0 + delta), rest, rest, rest)
    shown = loaded(arms, meter)
    open_circuit = loaded(arms, 1e30)

    found = open_output(shown, rest, meter, one_arm=True)

    assert found == pytest.approx(open_circuit, rel=1e-10, abs=1e-15)


@settings(deadline=None)
@given(delta=st.floats(-0.03, 0.03), meter=st.floats(1e7, 1e9))
def test_load_of_several_arms_is_undone_but_for_its_square(delta: float, meter: float) -> None:
    """A half bridge in bending: what is left is below δ²·R/R_m of the output."""
    rest = 300e3
    arms = (rest * (1.0 + delta), rest * (1.0 - delta), rest, rest)
    shown, open_circuit = loaded(arms, meter), loaded(arms, 1e30)

    found = open_output(shown, rest, meter, one_arm=False)

    left = delta**2 * rest / meter
    assert found == pytest.approx(open_circuit, rel=left + 1e-9, abs=1e-13)


def test_load_of_a_300_kiloohm_bridge_on_100_megohm_is_a_third_of_a_percent() -> None:
    """By hand: R_out = 300 kΩ beside 100 MΩ takes 0.3 %."""
    assert open_output(1e-3, 300e3, 100e6, one_arm=False) == pytest.approx(1.003e-3, rel=1e-12)
