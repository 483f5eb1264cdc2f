"""
First-order lags against their analytic solutions.
"""

import numpy as np
import pytest

from pipeline.simulate.lag import follow, follow_ramps


def test_a_step_is_approached_exponentially() -> None:
    """Held input 1 from state 0: y = 1 - exp(-t/τ) at every instant, whatever the step."""
    time = np.arange(0, 50_001, 2500.0)
    state = follow(2500.0, np.ones((len(time), 1)), 9000.0, np.zeros(1))

    assert state[:, 0] == pytest.approx(1 - np.exp(-time / 9000), abs=1e-14)


def test_a_ramp_is_followed_tau_late() -> None:
    """Input t from rest: y = t - τ·(1 - exp(-t/τ)), exact over long steps."""
    time = np.arange(0, 90_001, 3000.0)
    state = follow(3000.0, time[:, None], 7000.0, np.zeros(1))

    assert state[:, 0] == pytest.approx(time - 7000 * (1 - np.exp(-time / 7000)), rel=1e-12)


def test_a_daily_wave_is_damped_and_late_as_theory_says() -> None:
    """Input cos(ωt): amplitude 1/√(1 + (ωτ)²), phase atan(ωτ), once the start has died away."""
    omega, tau, step = 2 * np.pi / 86_400, 7200.0, 300.0
    time = np.arange(0, 10 * 86_400, step)
    state = follow(step, np.cos(omega * time)[:, None], tau, np.zeros(1))[:, 0]
    theory = np.cos(omega * time - np.arctan(omega * tau)) / np.sqrt(1 + (omega * tau) ** 2)

    # Straight pieces of 300 s under a cosine are off by (ω·h)²/12, 4e-5 of the amplitude.
    assert state[-288:] == pytest.approx(theory[-288:], abs=5e-5)


def test_a_changing_time_constant_is_held_at_the_mean_of_each_piece() -> None:
    """Two pieces by hand: τ 2 then 4 at the ends of the first, input held at 1."""
    tau = np.array([[2.0], [4.0], [8.0]])
    state = follow(1.0, np.ones((3, 1)), tau, np.zeros(1))[:, 0]

    assert state[1] == pytest.approx(1 - np.exp(-1 / 3))
    assert state[2] == pytest.approx(1 - np.exp(-1 / 3 - 1 / 6))


def test_columns_follow_their_own_targets() -> None:
    """Two columns with two time constants do not touch each other."""
    target = np.stack([np.ones(5), np.full(5, 3.0)], axis=1)
    both = follow(10.0, target, np.array([20.0, 50.0]), np.zeros(2))

    assert both[:, 1:] == pytest.approx(follow(10.0, target[:, 1:], 50.0, np.zeros(1)))
    assert both[-1, 0] == pytest.approx(1 - np.exp(-2.0))


def test_ramps_in_closed_form_equal_small_steps() -> None:
    """A trapezoid of load: the closed form equals the lag stepped finely between its knots."""
    knots, values = np.array([0.0, 30.0, 400.0, 450.0]), np.array([0.0, 5e-4, 5e-4, 0.0])
    time = np.arange(0.0, 3000.0, 1.0)
    stepped = follow(1.0, np.interp(time, knots, values)[:, None], 900.0, np.zeros(1))[:, 0]

    assert follow_ramps(time, knots, values, 900.0) == pytest.approx(stepped, abs=1e-15)


def test_nothing_follows_before_the_first_knot() -> None:
    """The closed form is 0 until the load comes."""
    answer = follow_ramps(np.array([-5.0, 0.0]), np.array([0.0, 1.0]), np.array([0.0, 1.0]), 10.0)

    assert answer.tolist() == [0.0, 0.0]


def test_a_time_constant_of_zero_is_refused() -> None:
    """τ must be above 0."""
    with pytest.raises(ValueError, match="above 0 s"):
        follow(1.0, np.ones((2, 1)), 0.0, np.zeros(1))
