"""What an ordinary batch costs: 10,000 readings/s over 200 points and 400 alarms."""

from __future__ import annotations

import time
from statistics import median

import numpy as np
import pytest

from pipeline.alarms.engine import evaluate, initial_state
from pipeline.blocks import Results, concat_results
from tests.alarms.examples import START_US, point, rule, rule_set

POINTS = tuple(f"p{i:03}" for i in range(200))
RULES = (
    rule(on_delay_s=5.0, off_delay_s=10.0, deadband=20.0),
    rule("fault", "gauge_fault", on_delay_s=5.0, off_delay_s=5.0),
)


def batch(number: int, loaded: int) -> Results:
    """A quarter of a second of every point; the first `loaded` points stand at their limit."""
    chance = np.random.default_rng(number)
    time_us = START_US + number * 250_000 + np.arange(13) * 19_000
    parts = [
        Results.from_columns(
            time_us,
            name,
            "strain",
            {
                "value": chance.normal(1000.0 if i < loaded else 300.0, 5.0, 13),
                "u": np.full(13, 2.0),
                "flag": np.ones(13, np.int8),
                "tests": np.zeros(13, np.int32),
            },
        )
        for i, name in enumerate(POINTS)
    ]
    return concat_results(parts)


@pytest.mark.slow
@pytest.mark.parametrize("loaded", [0, 200])
def test_a_batch_of_a_quarter_second_costs_well_under_50_ms(loaded: int) -> None:
    """2600 rows, 400 alarms: also when every point chatters round its limit."""
    rules = rule_set(*RULES, points=tuple(point(name) for name in POINTS))
    state = initial_state(rules)
    blocks = [batch(number, loaded) for number in range(20)]
    spent = []
    for number, block in enumerate(blocks):
        began = time.perf_counter()
        _, state = evaluate(block, START_US + (number + 1) * 250_000, state, rules)
        spent.append(time.perf_counter() - began)
    print(f"{loaded} points at their limit: {1000 * median(spent):.1f} ms a batch")

    assert len(rules.watches) == 400
    assert median(spent) < 0.05
