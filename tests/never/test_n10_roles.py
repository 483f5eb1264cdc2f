"""
N10: nobody without the right role acts on an alarm, and everyone who does is in the journal.
"""

from pathlib import Path

import pytest

from tests.replaying import Replay, copied_site, with_ticks
from tests.streams import recorded

pytestmark = pytest.mark.slow

ALARM = "deck-strain.qd-g1-s2-bot"


@pytest.mark.parametrize(
    ("who", "may"),
    [
        ("ines-oakhollow", True),
        ("tomas-reedwater", True),
        ("wilda-fenmoor", False),  # a viewer
        ("mallory", False),  # nobody of this site
        ("", False),
    ],
)
def test_only_operators_and_engineers_act(tmp_path: Path, who: str, may: bool) -> None:
    """The alarm changes for them alone; the attempt is journalled either way, with its name."""
    replay = Replay(copied_site(tmp_path), "quill-deck")
    records = recorded("load-test")
    for lot in with_ticks(records, 600_000_000):
        replay.feed(lot)
    replay.command(records[-1].received_us, "ack", ALARM, who)
    acted = [t for t in replay.transitions() if t.event == "acknowledged"]
    attempts = [e for e in replay.ledger.journal(limit=10_000) if e.kind == "command"]
    replay.close()

    assert [t.by for t in acted] == ([who] if may else [])
    assert [(e.facts["by"], e.facts["accepted"]) for e in attempts] == [(who, may)]
    assert may or "People who may do this" in attempts[0].facts["reply"]
