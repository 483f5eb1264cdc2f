"""
The recorded streams: as the script makes them, complete, and with the alarms that they claim.
"""

import json
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.simulate.samples import SAMPLES, Sample, write_sample
from pipeline.simulate.truth import Truth
from pipeline.site.models import Rule, Structure
from pipeline.site.read import read_site
from tests.simulate.by_hand import strain_of
from tests.simulate.streams import ROOT, Line, columns_of, read_stream

MARGIN = 90.0
"""More than 2 u of any strain point, µm/m: what a guarded limit may add."""
HOUR = 3_600_000_000
names = pytest.mark.parametrize("name", sorted(SAMPLES))


def stream(name: str) -> list[Line]:
    """The recorded messages of a sample."""
    return read_stream(ROOT / name / "stream.jsonl.gz")


def expected(name: str) -> dict[str, Any]:
    """What a replay must find."""
    found: dict[str, Any] = json.loads((ROOT / name / "expected.json").read_text())
    return found


def moment(text: str) -> int:
    """µs of an ISO time."""
    return int(pd.Timestamp(text).value // 1000)


@pytest.fixture(name="deck", scope="module")
def _deck() -> Structure:
    site = read_site(ROOT.parent / "config" / "quillmere")
    return next(s for s in site.structures if s.id == "quill-deck")


@pytest.fixture(name="made", scope="module")
def _made() -> dict[str, Sample]:
    return {name: make() for name, make in SAMPLES.items()}


def test_there_is_a_folder_for_each_sample_and_no_other() -> None:
    """Folder names are the script's."""
    assert sorted(p.name for p in ROOT.iterdir() if p.is_dir()) == sorted(SAMPLES)


@pytest.mark.slow
@names
def test_the_script_makes_what_is_recorded(
    name: str, made: dict[str, Sample], tmp_path: Path
) -> None:
    """Same messages, times and channels; values to a converter step, truth to its last digit."""
    write_sample(made[name], tmp_path)
    again, recorded = read_stream(tmp_path / "stream.jsonl.gz"), stream(name)

    assert expected(name) == json.loads((tmp_path / "expected.json").read_text())
    assert [(x.received_us, x.node, x.sequence) for x in again] == [
        (x.received_us, x.node, x.sequence) for x in recorded
    ]
    new, old = columns_of(again), columns_of(recorded)
    for channel in made[name].simulator.structure.channel:
        assert new[channel.id][0].tolist() == old[channel.id][0].tolist()
        assert np.abs(new[channel.id][1] - old[channel.id][1]).max() < 1.5 * channel.step
    truths = [pd.read_csv(folder / "truth.csv.gz") for folder in (tmp_path, ROOT / name)]
    pd.testing.assert_frame_equal(*truths, rtol=0, atol=2e-3)


@names
def test_streams_are_small_in_order_and_of_summer_2026(name: str) -> None:
    """At most 300 kB a file; arrival never goes back; all within June to October 2026."""
    lines = stream(name)
    received = [line.received_us for line in lines]

    assert received == sorted(received)
    assert moment("2026-06-01T00:00Z") < received[0] < received[-1] < moment("2026-11-01T00:00Z")
    assert all(p.stat().st_size <= 300_000 for p in (ROOT / name).iterdir())


@names
def test_the_count_of_distinct_readings_is_right(name: str) -> None:
    """Channel, time and value, repeats counted once."""
    distinct = {row for line in stream(name) for row in line.rows}

    assert len(distinct) == expected(name)["readings"]


@pytest.mark.slow
@names
def test_the_readme_tells_command_seed_and_alarms(name: str, made: dict[str, Sample]) -> None:
    """Each README names the script, its seed, the count of readings and every alarm."""
    text = (ROOT / name / "README.md").read_text(encoding="utf-8")

    assert "python -m pipeline.simulate.samples" in text
    assert f"seed {made[name].simulator.seed}" in text
    assert f"{expected(name)['readings']:,}" in text
    for alarm in expected(name)["alarms"]:
        assert alarm["alarm"] in text


def limits(deck: Structure, point: str) -> list[Rule]:
    """Level rules of a point."""
    return [
        rule
        for rule in deck.rules
        if rule.kind == "level" and any(fnmatchcase(point, p) for p in rule.points)
    ]


def true_value(truth: Truth) -> Any:
    """What the limits of a point watch: mechanical strain, or the sensor's value."""
    return np.where(np.isnan(truth.value), truth.mechanical, truth.value)


def excursions(deck: Structure, sample: Sample) -> dict[str, tuple[int, int]]:
    """Alarm to first and last reading time beyond a limit, with the margin on strain."""
    simulator = sample.simulator
    step = round(simulator.structure.channel[0].interval_s * 1e6)
    truth = simulator.truth(np.arange(simulator.start_us, simulator.end_us, step))
    found = {}
    for point in deck.points:
        rows = truth.of(point.id)
        margin = MARGIN if point.quantity == "strain" else 0.05
        for rule in limits(deck, point.id):
            value = true_value(rows)
            beyond = value + margin > (np.inf if rule.high is None else rule.high)
            beyond |= value - margin < (-np.inf if rule.low is None else rule.low)
            if beyond.any():
                times = rows.time_us[beyond]
                found[f"{rule.id}.{point.id}"] = (int(times[0]), int(times[-1]))
    return found


@pytest.mark.slow
@names
def test_level_alarms_are_those_of_the_truth(
    name: str, deck: Structure, made: dict[str, Sample]
) -> None:
    """Within the margin of a limit comes just what is expected, inside its window."""
    told = {a["alarm"]: a for a in expected(name)["alarms"] if "strain" in a["alarm"]}
    found = excursions(deck, made[name])

    assert set(found) == set(told)
    for alarm, (first, last) in found.items():
        assert moment(told[alarm]["after"]) <= first <= moment(told[alarm]["before"])
        assert last - first > 5 * 60_000_000


@pytest.mark.slow
@names
def test_readings_undone_by_hand_meet_the_truth(
    name: str, deck: Structure, made: dict[str, Sample]
) -> None:
    """Stream and calibrations give each gauge's mechanical strain to 40 µm/m, foil to 8."""
    lines = stream(name)
    columns = columns_of(lines)
    for placement in deck.placements:
        serials = {g.serial for g in made[name].simulator.structure.gauge}
        if placement.serial not in serials or placement.valid_to is not None:
            continue
        if name in ("quiet-day", "load-test") and placement.serial == "PC32-07":
            continue  # not there yet
        time = columns[placement.channel][0]
        truth = made[name].simulator.truth(time).of(placement.point)
        _, _, mechanical = strain_of(deck, placement, columns, truth.moisture[0])
        sound = np.abs(mechanical) < 1200
        error = np.abs(mechanical - truth.mechanical)[sound]

        assert error.max() < (40.0 if placement.batch.startswith("PC") else 8.0)
        assert sound.all() or (name, placement.point) == ("failing-gauge", "qd-g1-s1-web")


def test_heat_wave_moves_the_gauges_and_hardly_the_deck(deck: Structure) -> None:
    """
    38 °C, water on the steel at dawn; the indicated strain of a printed gauge crosses its limit,
    the mechanical one stays far below.
    """
    columns = columns_of(stream("heat-wave"))
    placement = next(p for p in deck.placements if p.serial == "PC31-04")
    _, indicated, mechanical = strain_of(deck, placement, columns, 0.7)
    high = limits(deck, placement.point)[0].high
    air, rh, steel = (columns[c][1] for c in ("n3-air-t", "n3-air-rh", "n1-g1-t"))
    surface = rh * np.exp(17.62 * air / (243.12 + air) - 17.62 * steel / (243.12 + steel))

    assert high is not None
    assert indicated.max() > high + MARGIN
    assert np.abs(mechanical).max() < high - 2 * MARGIN
    assert 37.5 < air.max() < 39.0
    assert (surface >= 100).sum() > 60


def test_failing_gauge_stands_at_the_rail_and_the_other_is_silent() -> None:
    """From the break on only the converter's end; the silent channel ends where it is told."""
    columns = columns_of(stream("failing-gauge"))
    alarms = {a["alarm"]: a for a in expected("failing-gauge")["alarms"]}
    time, value = columns["n1-g1web-b"]
    broken = time >= moment("2026-09-08T06:10Z")

    assert set(value[broken].tolist()) == {0.004}
    assert np.abs(value[~broken]).max() < 0.001
    silent_since = columns["n2-g2s2-ohm"][0][-1] + 1200 * 1_000_000
    told = alarms["deck-silent.qd-g2-s2-bot"]
    assert moment(told["after"]) <= silent_since <= moment(told["before"])


def test_offline_node_catches_up_in_order_within_seconds() -> None:
    """Nothing of the node for six hours, then old stamps in order, while the others go on."""
    lines = stream("offline-node")
    lost, back = moment("2026-10-03T02:00Z"), moment("2026-10-03T08:00Z")
    node = [line for line in lines if line.node == "deck-n2"]
    backlog = [line for line in node if line.rows[-1][0] < back - 300_000_000 <= line.received_us]
    stamps = [line.rows[0][0] for line in node]

    assert not [line for line in node if lost <= line.received_us < back]
    assert [x for x in lines if x.node == "deck-n1" and lost <= x.received_us < back]
    assert len(backlog) >= 70
    assert backlog[-1].received_us - back < 10_000_000
    assert stamps == sorted(stamps)
    assert len(expected("offline-node")["alarms"]) == 10


def test_every_payload_kind_is_among_the_streams() -> None:
    """JSON, CBOR and Arrow."""
    kinds = {line.content_type for name in SAMPLES for line in stream(name)[:1]}

    assert len(kinds) == 3
