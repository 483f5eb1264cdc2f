"""
Each recorded stream through the whole station: alarms, archive, truth, rebuild.
"""

from collections.abc import Iterator
from datetime import datetime

import numpy as np
import pytest

from pipeline.alarms.transition import Transition
from pipeline.blocks import TERMS, Results, concat_results
from pipeline.station.sealing import provenance
from pipeline.store.bound_chain import ChainOfPlan
from pipeline.store.rebuild import rebuild
from tests.replaying import US, Replay, copied_site, with_ticks
from tests.streams import FOLDER, NAMES, expected, recorded

pytestmark = pytest.mark.slow

TICK_US = 60 * US


@pytest.fixture(scope="module", params=NAMES)
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Replay]]:
    """A stream played to its end, sealed half-way and at the end."""
    name = request.param
    records = recorded(name)
    replay = Replay(copied_site(tmp_path_factory.mktemp(name)), expected(name)["structure"])
    lots = list(with_ticks(records, TICK_US))
    for i, lot in enumerate(lots):
        replay.feed(lot)
        if i == len(lots) // 2:
            replay.seal(lot[-1].received_us)
    replay.seal(records[-1].received_us + 48 * 3600 * US)
    yield name, replay
    replay.close()


def raised(replay: Replay) -> list[Transition]:
    """Transitions with which an alarm began."""
    return [t for t in replay.transitions() if t.before == "normal" and t.after != "normal"]


def results_of(replay: Replay) -> Results:
    """The whole results archive."""
    return concat_results(replay.archive.read_results(w) for w in replay.archive.windows())


def test_the_stream_raises_what_it_must_and_nothing_else(played: tuple[str, Replay]) -> None:
    """Every alarm of expected.json comes once, in its time; no other comes."""
    name, replay = played
    wanted = {alarm["alarm"]: alarm for alarm in expected(name)["alarms"]}
    found = raised(replay)

    assert sorted(t.alarm for t in found) == sorted(wanted)
    for transition in found:
        window = wanted[transition.alarm]
        after, before = (
            datetime.fromisoformat(window[key]).timestamp() * US for key in ("after", "before")
        )
        assert after <= transition.occurred_us <= before


def test_every_reading_is_in_the_archive_once(played: tuple[str, Replay]) -> None:
    """Raw holds as many distinct readings as the stream's folder says; nothing was refused."""
    name, replay = played
    count = sum(len(replay.archive.read_raw(w)) for w in replay.archive.windows())

    assert count == expected(name)["readings"]
    assert replay.ledger.quarantine_totals() == {}


def test_rebuild_gives_what_was_sealed(played: tuple[str, Replay]) -> None:
    """N3: the same chain over raw gives every window bit for bit."""
    _, replay = played
    report = rebuild(
        replay.archive,
        ChainOfPlan(replay.setup.plan),
        provenance(replay.site, replay.setup, 0),
        dry_run=True,
    )

    assert len(report.windows) >= 1
    assert report.is_equal


def test_no_correction_is_hidden(played: tuple[str, Replay]) -> None:
    """N7: what was taken off stands in the row: indicated - all terms = mechanical."""
    _, replay = played
    results = results_of(replay)
    indicated = results.column("indicated").astype(float)
    terms = sum(np.nan_to_num(results.column(term).astype(float)) for term in TERMS)
    mechanical = results.column("mechanical").astype(float)
    rows = np.isfinite(mechanical)

    assert rows.any()
    np.testing.assert_allclose((indicated - terms)[rows], mechanical[rows], rtol=0, atol=1e-6)


def test_the_stated_interval_holds_the_simulated_truth(played: tuple[str, Replay]) -> None:
    """At least 93 % of compensated strains lie within 2u of the truth kept beside the stream."""
    name, replay = played
    import pandas as pd

    truth = pd.read_csv(FOLDER / name / "truth.csv.gz", parse_dates=["time"])
    rows = results_of(replay).table.to_pandas()
    rows["point"], truth["time"] = rows["point"].astype(str), truth["time"].dt.as_unit("us")
    joined = rows.merge(truth, on=["time", "point"], suffixes=("", "_true"))
    joined = joined.dropna(subset=["mechanical", "mechanical_true", "u"])
    inside = (joined["mechanical"] - joined["mechanical_true"]).abs() <= 2 * joined["u"]
    missed = joined.loc[~inside, "point"].value_counts().to_dict()

    assert len(joined) > 100
    assert inside.mean() >= 0.93, missed
