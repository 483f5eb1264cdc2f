"""
Which gate a record of the spool belongs to, and that no acknowledged reading falls between two.
"""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.blocks import Readings, concat_readings, dedupe_readings
from pipeline.ingest.gate import accept
from pipeline.site.models import Site
from pipeline.site.read import read_site
from pipeline.station.gates import Gates
from pipeline.store.ledger import Commit, Ledger
from tests.replaying import US, Replay, copied_site
from tests.streams import recorded


def _rewritten(folder: Path, names: tuple[str, ...], old: str, new: str) -> Site:
    for name in names:
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new))
    return read_site(folder)


def _without_crack_gauge(folder: Path) -> Site:
    """The site of the example without one point, its gauge, channel, rules and calibration."""
    for name, gone in (
        ("points.csv", "qd-crack-s1"),
        ("gauges.csv", "qd-crack-s1"),
        ("channels.csv", "n3-crack-v"),
    ):
        lines = (folder / name).read_text().splitlines()
        kept = [line for line in lines if gone not in line]
        assert len(kept) == len(lines) - 1
        (folder / name).write_text("\n".join(kept) + "\n")
    rules = (folder / "rules.toml").read_text().split("[[rule]]")
    kept_rules = [rule for rule in rules if "qd-crack-s1" not in rule]
    (folder / "rules.toml").write_text("[[rule]]".join(kept_rules))
    for path in (folder / "calibrations").glob("*cw1*"):
        path.unlink()
    return read_site(folder)


def _reconfigured(change: str, folder: Path) -> Site:
    if change == "node renamed":
        return _rewritten(folder, ("site.toml", "channels.csv"), "deck-n3", "deck-n4")
    if change == "prefix changed":
        return _rewritten(folder, ("site.toml",), 'prefix = "spanwarden"', 'prefix = "bridges"')
    if change == "oldest_days shortened":
        return _rewritten(folder, ("site.toml",), "[storage]\n", "[storage]\noldest_days = 1e-9\n")
    return _without_crack_gauge(folder)


def _raw(replay: Replay) -> list[tuple[object, ...]]:
    windows = replay.archive.windows()
    return _rows(concat_readings(replay.archive.read_raw(window) for window in windows))


def _rows(readings: Readings) -> list[tuple[object, ...]]:
    columns = [readings.table.column(name).to_pylist() for name in ("channel", "time", "value")]
    return sorted(zip(*columns, strict=True))


@pytest.mark.parametrize(
    "change", ["node renamed", "prefix changed", "oldest_days shortened", "channel removed"]
)
@pytest.mark.slow
def test_readings_accepted_before_a_reconfiguration_are_sealed_after_it(
    tmp_path: Path, change: str
) -> None:
    """Accepted live and not sealed yet: raw holds each, as if the change had come later."""
    site = copied_site(tmp_path)
    records = recorded("quiet-day")[:120]
    before = Replay(site, "quill-deck")
    before.feed(records)
    accepted = dedupe_readings(accept(records, before.setup.gate).readings)
    before.close()

    after = Replay(_reconfigured(change, tmp_path / "quillmere"), "quill-deck")
    after.seal(records[-1].received_us + 60 * US)

    assert len(accepted) > 1000
    assert after.ledger.quarantine_totals() == {}
    assert _raw(after) == _rows(accepted)


@pytest.mark.slow
def test_what_comes_after_the_reconfiguration_is_judged_by_the_new_one(tmp_path: Path) -> None:
    """In one seal over both sides of the change: the renamed node's old name only before it."""
    site = copied_site(tmp_path)
    records = recorded("quiet-day")[:120]
    before = Replay(site, "quill-deck")
    before.feed(records[:60])
    before.close()
    after = Replay(_reconfigured("node renamed", tmp_path / "quillmere"), "quill-deck")
    after.feed(records[60:])
    early, late = accept(records[:60], before.setup.gate), accept(records[60:], after.setup.gate)
    accepted = dedupe_readings(concat_readings([early.readings, late.readings]))
    refused = list(after.ledger.quarantine_totals())

    after.seal(records[-1].received_us + 60 * US)

    assert refused == ["unknown_node"]
    assert _raw(after) == _rows(accepted)


def _committed(ledger: Ledger, position: int) -> None:
    ledger.commit(Commit(position=position, now_us=position, states={}))


def test_a_gate_lasts_until_the_position_at_which_another_began(tmp_path: Path) -> None:
    """Kept over restarts; one that consumed nothing leaves no trace; old ones are forgotten."""
    first = Replay(copied_site(tmp_path), "quill-deck").setup.gate
    second, unused = replace(first, oldest_us=7), replace(first, future_us=9)
    with closing(Ledger.open(tmp_path / "own" / "ledger.db")) as ledger:
        Gates(ledger, first)
        _committed(ledger, 100)
        Gates(ledger, unused)
        Gates(ledger, second)
        _committed(ledger, 150)
        gates = Gates(ledger, second)

        found = [gates.at(position) for position in (0, 99, 100, 10_000)]
        gates.forget_before(100)
        left = Gates(ledger, second).at(0)

    assert [(gate.oldest_us, until) for gate, until in found] == [
        (first.oldest_us, 100),
        (first.oldest_us, 100),
        (7, None),
        (7, None),
    ]
    assert {gate.future_us for gate, _ in found} == {first.future_us}
    assert found[0][0].topics == first.topics
    assert found[0][0].channel_names == first.channel_names
    assert found[0][0].channel_node.tolist() == first.channel_node.tolist()
    assert (left[0].oldest_us, left[1]) == (7, None)
