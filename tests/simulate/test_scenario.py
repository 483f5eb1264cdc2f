"""
Reading scenarios: the shipped one, and every mistake in a broken one at once.
"""

from datetime import datetime
from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.simulate.scenario import SCENARIO_FOLDER, microseconds, read_scenario, scenario_names


def test_every_shipped_scenario_reads_and_is_consistent() -> None:
    """Gauges and sensors name batches, points, places and channels that exist."""
    for name in scenario_names():
        scenario = read_scenario(name)
        for structure in scenario.structures.values():
            points = {p.id for p in structure.point}
            places = {p.id for p in structure.place} | {"air"}
            channels = {c.id for c in structure.channel}

            assert {g.batch for g in structure.gauge} <= set(scenario.batches)
            assert {g.point for g in structure.gauge} == points
            assert {p.place for p in structure.point} <= places
            assert {s.place for s in structure.sensor} <= places
            assert {g.channel for g in structure.gauge} | {
                s.channel for s in structure.sensor
            } == channels
            assert {p.girder for p in structure.point} - {None} <= set(structure.girders)


def test_every_mistake_is_listed_at_once(tmp_path: Path) -> None:
    """An unknown key in the climate and a missing one in a gauge are both told, with remedy."""
    text = (SCENARIO_FOLDER / "quillmere.toml").read_text(encoding="utf-8")
    text = text.replace("mean_c = 10.5", "mean_c = 10.5\nwind = 3.0", 1)
    text = text.replace('serial = "PC31-04", ', "", 1)
    path = tmp_path / "broken.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_scenario(path)

    assert len(caught.value.mistakes) == 2
    assert 'found no such key; expected "serial". Add it.' in str(caught.value)
    assert 'climate: found key "wind"; expected a known key. Take it out.' in str(caught.value)


def test_a_missing_file_is_named_with_what_there_is() -> None:
    """The remedy lists the shipped scenarios."""
    with pytest.raises(ConfigError, match=r"nowhere\.toml.*Name one of quillmere"):
        read_scenario("nowhere")


def test_moments_become_microseconds_exactly() -> None:
    """A microsecond in 2026 is not lost to floating point; a moment without zone is refused."""
    moment = datetime.fromisoformat("2026-07-25T00:00:00.000001+00:00")

    assert microseconds(moment) == 1_784_937_600_000_001
    with pytest.raises(ValueError, match="no zone"):
        microseconds(datetime(2026, 7, 25))
