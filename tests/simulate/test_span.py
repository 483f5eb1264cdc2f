"""
Influence lines against handbook coefficients and against a beam solved by finite elements.
"""

import numpy as np
import pytest

from pipeline.simulate.span import influence


def test_midspan_moment_of_a_simple_beam_is_pl_over_4() -> None:
    """One span with the load in its middle: M = P·L/4 (any handbook)."""
    assert influence([6.0], 3.0, 3.0) == pytest.approx(6.0 / 4)


def test_moment_of_a_simple_beam_is_pab_over_l_under_the_load() -> None:
    """One span, load at a: M under it is P·a·b/L, falling straight to both supports."""
    moment = influence([10.0], 4.0, [4.0, 2.0, 7.0])

    assert moment == pytest.approx([4 * 6 / 10, 2 * 6 / 10, 4 * 3 / 10])


def test_two_equal_spans_meet_the_handbook_coefficients() -> None:
    """
    Load in the middle of one span: 13/64·P·L under it and -3/32·P·L over the middle support.

    Source: beam tables of continuous beams over two equal spans (AISC Manual, beam diagram 29).
    """
    under, over = influence([24.0, 24.0], 12.0, 12.0), influence([24.0, 24.0], 24.0, 12.0)

    assert under == pytest.approx(13 / 64 * 24)
    assert over == pytest.approx(-3 / 32 * 24)


def test_largest_moment_over_the_pier_is_where_the_handbook_says() -> None:
    """Two equal spans: M over the pier is largest, P·L/(6·√3), with the load at L/√3."""
    load = np.linspace(0, 24, 24001)
    moment = influence([24.0, 24.0], 24.0, load)

    assert moment.min() == pytest.approx(-24 / (6 * np.sqrt(3)), rel=1e-6)
    assert load[np.argmin(moment)] == pytest.approx(24 / np.sqrt(3), abs=2e-3)


def test_two_spans_are_symmetric() -> None:
    """Mirrored section and load give the same moment."""
    load = np.linspace(0, 48, 97)

    assert influence([24.0, 24.0], 9.6, load) == pytest.approx(
        influence([24.0, 24.0], 38.4, 48 - load)
    )


def finite_elements(spans: tuple[float, float], x: float, load: float) -> float:
    """Moment at node x of a two-span beam of unit stiffness, unit load at node `load`."""
    h, n = 0.5, round(sum(spans) / 0.5)
    element = np.array(
        [
            [12, 6 * h, -12, 6 * h],
            [6 * h, 4 * h * h, -6 * h, 2 * h * h],
            [-12, -6 * h, 12, -6 * h],
            [6 * h, 2 * h * h, -6 * h, 4 * h * h],
        ]
    ) / (h**3)
    stiffness = np.zeros((2 * n + 2, 2 * n + 2))
    for i in range(n):
        stiffness[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += element
    force = np.zeros(2 * n + 2)
    force[2 * round(load / h)] = 1.0  # downwards positive
    fixed = [0, 2 * round(spans[0] / h), 2 * n]
    free = np.setdiff1d(np.arange(2 * n + 2), fixed)
    move = np.zeros(2 * n + 2)
    move[free] = np.linalg.solve(stiffness[np.ix_(free, free)], force[free])
    right = round(x / h)
    ends = element @ move[2 * right : 2 * right + 4]
    return float(ends[1])


@pytest.mark.parametrize("x", [3.0, 8.0, 10.0, 15.5, 20.0])
@pytest.mark.parametrize("load", [2.0, 8.0, 9.5, 13.0, 22.0])
def test_unequal_spans_equal_a_finite_element_beam(x: float, load: float) -> None:
    """Spans of 10 m and 16 m: every moment is that of beam elements, exact at their nodes."""
    assert influence([10.0, 16.0], x, load) == pytest.approx(
        finite_elements((10.0, 16.0), x, load), abs=1e-8
    )


def test_a_load_beside_the_beam_bends_nothing() -> None:
    """Before the first and behind the last support there is no moment."""
    assert influence([24.0, 24.0], 9.6, [-0.1, 48.1]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(("spans", "x"), [((1.0, 1.0, 1.0), 0.5), ((6.0,), 7.0), ((6.0,), -1.0)])
def test_a_beam_it_cannot_solve_is_refused(spans: tuple[float, ...], x: float) -> None:
    """Three spans, or a section beside the beam, raise with what was found."""
    with pytest.raises(ValueError, match=r"one or two|spans end"):
        influence(spans, x, 0.0)
