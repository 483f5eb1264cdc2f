"""A transition as facts."""

from __future__ import annotations

import json

import msgspec
import pytest

from pipeline.alarms.engine import Transition
from tests.alarms.examples import Bench, rule, rule_set


def raised() -> Transition:
    """A real transition with a margin crossing."""
    return Bench(rule_set(rule())).rows([(0, 950.0, 10.0), (1, 985.5, 10.25)])[0]


def test_facts_go_through_json_and_back() -> None:
    """Nothing of a transition is lost in JSON."""
    told = raised()

    assert told.crossing == "margin"
    assert Transition.from_facts(json.loads(json.dumps(told.to_facts(), allow_nan=False))) == told


def test_a_missing_fact_is_named() -> None:
    """A journal row without its limit is refused by name."""
    facts = raised().to_facts()
    del facts["limit"]

    with pytest.raises(msgspec.ValidationError) as caught:
        Transition.from_facts(facts)

    assert "limit" in str(caught.value)
