"""
The cautions that everybody meets.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.notify.cautions import CAUTION_TEXT, CAUTIONS

TRADE = Path(__file__).resolve().parents[3] / "shared" / "trade.md"


def test_cautions_say_the_two_things_that_matter_most() -> None:
    """Inspection is not replaced, and silence is not safety."""
    assert "Monitoring supplements inspection and never replaces it." in CAUTIONS
    assert "No alarm does not mean safe." in CAUTIONS


def test_cautions_are_those_of_the_trade_page() -> None:
    """Not one sentence of the trade's section 10 is missing, and none is added."""
    if not TRADE.exists():
        pytest.skip("the trade page is not beside this checkout")
    section = TRADE.read_text(encoding="utf-8").split("## 10. ")[1]

    assert section.split("\n\n")[1].strip() == CAUTION_TEXT
