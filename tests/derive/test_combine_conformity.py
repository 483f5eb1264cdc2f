"""
Derived points on a busy day: cut anywhere, sealed in windows, shuffled, saved midway.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from pipeline.blocks import Readings, Results, concat_results, sort_results
from pipeline.derive.chain import ChainState, initial_state, run_chain, state_distance
from pipeline.derive.combine_plan import compile_elements
from pipeline.derive.combine_state import CarriedRow
from pipeline.derive.gauges import Plan
from pipeline.site.models import Point, Structure
from tests.derive.derived import rosette, section
from tests.derive.examples import EXPANSION, everything
from tests.derive.streams import assert_close, busy_day, without_others

PLACES = {"P-C1": -0.6, "P-C2": -0.1, "P-K2": 0.3, "P-C3": 0.6}


@cache
def plan() -> Plan:
    """
    `everything`, with a rosette of a foil and two films and a section of four films, one of them
    replaced within the day; join ages that are sometimes too short.
    """
    points = tuple(
        Point(id=name, structure="footbridge", member="deck", y_m=0.0, z_m=z, section="mid")
        for name, z in PLACES.items()
    )
    foil = Point(id="P-F1", structure="footbridge", member="deck")
    of = Structure(
        id="footbridge",
        name="Footbridge at Nowhere",
        material="steel",
        expansion_1e6_per_k=EXPANSION,
        points=(*points, foil),
        rosettes=(
            rosette(point_a="P-F1", point_b="P-C1", point_c="P-C3", join_age_s=70.0,
                    transverse_a_percent=1.5, transverse_u_percent=0.5, angle_u_deg=1.0,
                    modulus_gpa=200.0, modulus_u_gpa=4.0, poisson=0.3, poisson_u=0.02),
        ),
        sections=(section(modulus_gpa=200.0, inertia_y_m4=1e-3, join_age_s=80.0),),
    )  # fmt: skip
    return replace(everything(), elements=compile_elements(of))


@cache
def sealed() -> Results:
    """The whole day in one window."""
    return run_chain(busy_day(), initial_state(plan()), plan())[0]


def derived_rows(results: Results) -> Results:
    """Rows of the rosette and the section."""
    names = np.array(results.table.column("point").to_pylist())
    return results.take(np.isin(names, ("ros", "sec")))


def pieces(count: int, seed: int) -> Iterator[Readings]:
    """The day in pieces, cut only where time goes on."""
    stream = busy_day()
    time = stream.column("time").astype(np.int64)
    allowed = np.flatnonzero(np.diff(time) > 0) + 1
    places = np.sort(np.random.default_rng(seed).choice(allowed, count, replace=False)).tolist()
    for a, b in zip([0, *places], [*places, len(stream)], strict=True):
        yield stream.take(np.arange(a, b))


@pytest.mark.slow
def test_the_day_has_all_that_a_row_can_be() -> None:
    """The tests below see values, failures, gaps in the join and doubts, thousands of rows."""
    rows = derived_rows(sealed())
    flags = set(rows.column("flag").astype(int).tolist())
    value = rows.column("value").astype(float)

    assert len(rows) > 10_000
    assert {3, 4, 9} <= flags
    assert 0.2 < np.isfinite(value).mean() < 0.99
    quantities = rows.table.column("quantity").to_pylist()
    told = {q for q, v in zip(quantities, value, strict=True) if np.isfinite(v)}
    assert {"principal_angle", "principal_stress_2", "moment_y", "plane_chi2"} <= told


@pytest.mark.slow
@pytest.mark.parametrize(("count", "seed"), [(1, 1), (7, 2), (400, 3)])
def test_live_cut_anywhere_with_the_state_saved_gives_what_the_seal_gives(
    count: int, seed: int
) -> None:
    """N2: joined values go through JSON between blocks of any size, and nothing moves."""
    state, parts = initial_state(plan()), []
    for piece in pieces(count, seed):
        saved = ChainState.from_json(state.to_json())
        results, state = run_chain(piece, saved, plan(), live=True)
        parts.append(results)

    found = without_others(sort_results(concat_results(parts)))

    assert_close(found, sort_results(sealed()))


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.02, 0.3, 0.51, 0.6, 0.9])
def test_windows_from_edge_states_give_the_whole(share: float) -> None:
    """What is kept at an edge is all that the rows after it need, and no more than that."""
    stream = busy_day()
    time = stream.column("time").astype(np.int64)
    edge = time[0] + share * (time[-1] - time[0])

    before, state = run_chain(stream.take(time < edge), initial_state(plan()), plan())
    kept = ChainState.from_json(state.to_json())
    after, _ = run_chain(stream.take(time >= edge), kept, plan())

    assert_close(sort_results(concat_results([before, after])), sort_results(sealed()))
    assert len(derived_rows(before)) > 0


@pytest.mark.slow
def test_order_of_arrival_changes_no_bit_of_a_sealed_window() -> None:
    """N2: shuffled, the complete window gives equal bytes and an equal state."""
    stream = busy_day()
    shuffled = stream.take(np.random.default_rng(5).permutation(len(stream)))

    results, state = run_chain(shuffled, initial_state(plan()), plan())
    expected, known = run_chain(stream, initial_state(plan()), plan())

    assert results.table.equals(expected.table)
    assert state.to_json() == known.to_json()


@pytest.mark.slow
def test_edge_forgets_what_is_too_old_to_be_joined() -> None:
    """A point that fell silent is not in the state of an edge: it could not be joined any more."""
    stream = busy_day()
    time = stream.column("time").astype(np.int64)
    end = time[len(time) // 3]
    silent = np.array(stream.table.column("channel").to_pylist()) == "C1"
    cut = stream.take((time < end) & (~silent | (time < end - 200_000_000)))

    _, state = run_chain(cut, initial_state(plan()), plan())

    assert "P-C1" not in state.combined
    assert "P-C2" in state.combined


@pytest.mark.slow
def test_state_without_derived_points_is_written_as_before() -> None:
    """A structure that puts nothing together has no key for it: its states stay equal."""
    _, state = run_chain(busy_day(), initial_state(everything()), everything())

    assert "combined" not in json.loads(state.to_json())
    assert ChainState.from_json(state.to_json()).combined == {}


def row(**changes: object) -> CarriedRow:
    """A remembered row of 100 µm/m."""
    fields: dict[str, object] = {
        "time": 1, "strain": 1e-4, "flag": 1, "tests": 0,
        "sources": {"curve|a|": (4.0, (1e-6,)), "reading|a|P": (float("inf"), (2e-6,))},
    }  # fmt: skip
    return CarriedRow(**{**fields, **changes})  # type: ignore[arg-type]  # fields by name


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        (row(), 0.0),
        (row(strain=1.00005e-4), 5e-3),
        (row(sources={"curve|a|": (4.0, (1.004e-6,))}), 2.0),
        (row(time=2), np.inf),
        (row(flag=3), np.inf),
        (row(strain=None, sources={}), np.inf),
    ],
)
def test_distance_is_that_of_strains_and_amounts(changed: CarriedRow, expected: float) -> None:
    """In µm/m; a source that is gone counts with all it was; other times cannot be compared."""
    a, b = (ChainState(combined={"P-A": one}) for one in (row(), changed))

    assert state_distance(a, b, plan()) == pytest.approx(expected)
    assert state_distance(b, a, plan()) == pytest.approx(expected)


def test_carried_rows_come_back_from_json_to_the_last_bit() -> None:
    """Endless degrees of freedom and a failed row included."""
    state = ChainState(combined={"P-A": row(), "P-B": row(strain=None, flag=4, sources={})})

    assert ChainState.from_json(state.to_json()) == state
