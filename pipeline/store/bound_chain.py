"""
The chain of `derive` with a plan bound, as the archive wants it: states in and out as JSON texts.
"""

from __future__ import annotations

from pipeline.blocks import Readings, Results
from pipeline.derive.chain import initial_state, run_chain
from pipeline.derive.distance import state_distance
from pipeline.derive.gauges import Plan
from pipeline.derive.state import ChainState


class ChainOfPlan:
    """
    Fills `derived.Chain`.

    Args:
        plan: of the configuration that derives.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan

    def run(self, readings: Readings, state: str | None) -> tuple[Results, str]:
        """See `derived.Chain.run`."""
        start = initial_state(self._plan) if state is None else ChainState.from_json(state)
        results, end = run_chain(readings, start, self._plan)
        return results, end.to_json()

    def distance(self, a: str, b: str) -> float:
        """See `derived.Chain.distance`."""
        return state_distance(ChainState.from_json(a), ChainState.from_json(b), self._plan)
