"""The real chain in the archive: pieces, rebuild and a live run give what one seal gives."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.derive.chain import initial_state, run_chain
from pipeline.errors import StateVersionError
from pipeline.store.archive import Archive
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.layout import KINDS
from pipeline.store.query import read_span
from pipeline.store.rebuild import rebuild
from pipeline.store.seal import seal_onward
from tests.derive import examples, streams
from tests.store.archives import contents, provenance

PLAN = examples.everything()
CHAIN = ChainOfPlan(PLAN)


@pytest.mark.slow
def test_stream_in_shuffled_pieces_gives_the_bits_of_one_seal_and_of_a_rebuild(
    tmp_path: Path,
) -> None:
    """N2 and N3 with lags, creep, companions, a replaced gauge, faults and contradictions."""
    stream = streams.busy_day(hours=10.0)
    whole = Archive(tmp_path / "whole", "footbridge", 1)
    pieces = Archive(tmp_path / "pieces", "footbridge", 1)
    rows = np.random.default_rng(11).permutation(len(stream))

    seal_onward(whole, stream, CHAIN, provenance(), lambda _: False)
    for part in np.array_split(rows, 7):
        seal_onward(pieces, stream.take(np.sort(part)), CHAIN, provenance(), lambda _: False)

    assert len(whole.windows()) == 10
    assert contents(pieces, KINDS) == contents(whole, KINDS)
    assert rebuild(whole, CHAIN, provenance()).is_equal


@pytest.mark.slow
def test_archive_of_hours_agrees_with_the_chain_run_once(tmp_path: Path) -> None:
    """Cutting at window edges moves nothing by more than 1e-9 (design, principle 2)."""
    stream = streams.busy_day(hours=10.0)
    archive = Archive(tmp_path, "footbridge", 1)

    seal_onward(archive, stream, CHAIN, provenance(), lambda _: True)
    expected, _ = run_chain(stream, initial_state(PLAN), PLAN)

    for point in expected.point_codes()[1]:
        found = read_span(archive, "results", [point], 0, examples.START_US * 2, ["value", "flag"])
        codes, names = expected.point_codes()
        wanted = expected.take(codes == names.index(point))
        value = np.asarray(found.column("value").to_numpy())
        np.testing.assert_allclose(
            value, wanted.column("value").astype(float), rtol=1e-9, atol=1e-9
        )
        assert found.column("flag").to_pylist() == wanted.column("flag").tolist()


def test_distance_is_that_of_the_chain_and_refuses_another_version() -> None:
    """A state is as far from itself as nothing; one of another release is an error."""
    _, state = CHAIN.run(streams.busy_day(hours=1.0), None)
    other = json.dumps(json.loads(state) | {"version": 99})

    assert CHAIN.distance(state, state) == 0.0
    with pytest.raises(StateVersionError):
        CHAIN.distance(state, other)
    with pytest.raises(StateVersionError):
        CHAIN.run(streams.busy_day(hours=1.0), other)
