"""`spanwarden alarms`: what stands, with its value, limit and since when."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.alarms.transition import REMOVED, RULE_REMOVED, Transition
from pipeline.cli import main
from pipeline.station.layout import layout_of
from pipeline.store.ledger import Commit, Ledger
from tests.replaying import US, copied_site

AT_US = 1_790_000_000 * US
RAISED = {
    "alarm": "deck-strain.qd-g1-s2-bot", "rule": "deck-strain", "point": "qd-g1-s2-bot",
    "event": "occurred", "before": "normal", "after": "unacknowledged", "occurred_us": AT_US,
    "detected_us": AT_US, "value": 412.0, "u": 9.0, "limit": 400.0, "unit": "µm/m",
    "crossing": "value", "detail": "", "by": "", "comment": "", "priority": "high",
    "retrospective": False, "late": False,
}  # fmt: skip
ACKNOWLEDGED = {
    "event": "acknowledged", "before": "unacknowledged", "after": "acknowledged",
    "detected_us": AT_US + 600 * US, "by": "ines-oakhollow", "comment": "seen",
}  # fmt: skip


def listed(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    """Exit code and output of the command with these words."""
    site = ["--site", str(folder / "quillmere"), "--structure", "quill-deck"]
    code = main(["alarms", *more, *site])
    return code, capsys.readouterr().out


def journal(folder: Path, *changes: dict[str, object]) -> None:
    """A site whose journal holds the raise, changed so by one transition after the other."""
    facts: dict[str, object] = dict(RAISED)
    entries = [("transition", str(facts["alarm"]), facts)]
    for change in changes:
        facts = Transition.from_facts(facts | change).to_facts()
        entries.append(("transition", str(facts["alarm"]), facts))
    ledger = Ledger.open(layout_of(copied_site(folder), "quill-deck").ledger)
    ledger.commit(Commit(position=0, now_us=AT_US, entries=entries))
    ledger.close()


def test_alarm_whose_rule_was_removed_does_not_stand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing watches there any more: the list is empty, and the exit code says so."""
    journal(tmp_path, ACKNOWLEDGED, {"event": RULE_REMOVED, "after": REMOVED})

    code, text = listed(tmp_path, capsys)

    assert code == 0
    assert text.startswith("No alarm stands.")


def test_acknowledged_alarm_stands_with_value_limit_and_since_when(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line: state, when the excursion began, value and limit; its story tells the act."""
    journal(tmp_path, ACKNOWLEDGED)

    code, text = listed(tmp_path, capsys)
    _, story = listed(tmp_path, capsys, "show", str(RAISED["alarm"]))
    _, found = listed(tmp_path, capsys, "--json")

    line = next(one for one in text.splitlines() if "qd-g1-s2-bot" in one)
    assert code == 1
    assert "acknowledged" in line
    assert "412.0 ± 18.0 µm/m, limit 400 µm/m" in line
    assert [t["occurred_us"] for t in json.loads(found)] == [AT_US]
    heads = [one.split("  ")[0] for one in story.splitlines() if "→" in one]
    assert heads[0] != heads[1]
