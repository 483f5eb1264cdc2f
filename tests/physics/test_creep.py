"""
Load creep against its own sum, and ageing by hand.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.physics.creep import YEAR, ageing_progress, creep_states

Floats = npt.NDArray[np.float64]
FRACTIONS, TAUS = (0.08, 0.05, -0.02), (10.0, 400.0, 90_000.0)


def shown_and_states(time: Floats, load: Floats) -> tuple[Floats, Floats]:
    """The load with its creep, one reading after the other."""
    z = np.zeros(3)
    states = [z]
    for n in range(1, len(load)):
        z = load[n - 1] + (z - load[n - 1]) * np.exp(-(time[n] - time[n - 1]) / np.array(TAUS))
        states.append(z)
    return load + np.array(states) @ np.array(FRACTIONS), np.array(states)


@pytest.mark.parametrize("n", [1, 30, 3_000])
def test_load_comes_back_from_what_shows(n: int) -> None:
    """Irregular steps, three terms: the states and the load are those that were put in."""
    rng = np.random.default_rng(6)
    time, load = np.cumsum(rng.exponential(20.0, n)), np.cumsum(rng.normal(size=n))
    shown, expected = shown_and_states(time, load)

    found = creep_states(
        np.diff(time, prepend=time[0]), shown, FRACTIONS, TAUS, 0.0, (0.0, 0.0, 0.0)
    )

    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-11)
    np.testing.assert_allclose(shown - found @ np.array(FRACTIONS), load, rtol=1e-10, atol=1e-11)


def test_held_load_shows_the_prony_series() -> None:
    """A load of 1 from t = 0 shows as 1 + Σ c·(1 - exp(-t/τ)), however it is sampled."""
    time = np.concatenate(([0.0], np.geomspace(0.1, 1e6, 60)))
    shown = 1.0 + (1.0 - np.exp(-time[:, None] / np.array(TAUS))) @ np.array(FRACTIONS)

    states = creep_states(np.diff(time, prepend=0.0), shown, FRACTIONS, TAUS, 0.0, (0.0, 0.0, 0.0))

    np.testing.assert_allclose(shown - states @ np.array(FRACTIONS), 1.0, rtol=1e-13)


def test_unloaded_gauge_does_not_creep() -> None:
    """Creep follows the load, not the clock."""
    states = creep_states(np.full(100, 1e4), np.zeros(100), FRACTIONS, TAUS, 0.0, (0.0, 0.0, 0.0))

    assert not states.any()


@pytest.mark.parametrize("cut", [1, 39, 41, 1_500])
def test_cut_anywhere_with_load_and_states_passed_on_is_the_same(cut: int) -> None:
    """The last load and the last states are all the memory there is."""
    rng = np.random.default_rng(6)
    step, shown = rng.exponential(20.0, 2_000), np.cumsum(rng.normal(size=2_000))
    whole = creep_states(step, shown, FRACTIONS, TAUS, 0.0, (0.0, 0.0, 0.0))

    first = creep_states(step[:cut], shown[:cut], FRACTIONS, TAUS, 0.0, (0.0, 0.0, 0.0))
    load = float(shown[cut - 1] - first[-1] @ np.array(FRACTIONS))
    second = creep_states(step[cut:], shown[cut:], FRACTIONS, TAUS, load, first[-1])

    np.testing.assert_allclose(np.concatenate((first, second)), whole, rtol=1e-11, atol=1e-12)


@pytest.mark.parametrize(
    ("fractions", "taus", "step", "message"),
    [
        ((0.6, 0.5), (1.0, 2.0), 1.0, "less than 1"),
        ((0.1,), (0.0,), 1.0, "above 0 s"),
        ((0.1,), (1.0,), -1.0, "backwards"),
    ],
)
def test_creep_refuses_what_cannot_be_solved(
    fractions: tuple[float, ...], taus: tuple[float, ...], step: float, message: str
) -> None:
    """Fractions that do not converge, no time constant, and time running back."""
    with pytest.raises(ValueError) as refused:
        creep_states([step], [1.0], fractions, taus, 0.0, [0.0] * len(taus))

    assert message in str(refused.value)


def test_ageing_by_hand() -> None:
    """Two years linear is 2; (e - 1) years logarithmic is 1; before the placement it is 0."""
    assert ageing_progress(2.0 * YEAR, "linear") == pytest.approx(2.0)
    assert ageing_progress((np.e - 1.0) * YEAR, "logarithmic") == pytest.approx(1.0)
    assert ageing_progress(-YEAR, "linear") == 0.0
    with pytest.raises(ValueError) as refused:
        ageing_progress(1.0, "quadratic")

    assert "linear" in str(refused.value)
