"""
The rows of one gauge on their way through the stages, and what a stage may look at.

A stage is a function (block, state, context) -> (block, state). It adds columns or sets bits of
`tests`; it never changes its input, overwrites a column or drops a row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.blocks import TEST_BIT, Bools, Floats, Ints
from pipeline.derive.gauges import Gauge, LinearModel, Segment, ShuntModel, Signal, StrainModel
from pipeline.derive.series import Series

if TYPE_CHECKING:
    from pipeline.derive.state import GaugeState

Tests = npt.NDArray[np.int32]

FAILING = sum(
    TEST_BIT[name] for name in ("not_a_number", "open_circuit", "short_circuit", "converter_rail")
)
"""Electrical impossibilities: the only tests that fail a reading."""


@dataclass(frozen=True, eq=False)
class Block:
    """Rows of one gauge within one segment, ascending in time; arrays of one length n."""

    time: Ints
    """[µs since 1970 UTC]"""
    tests: Tests
    unrun: Bools
    """A test that the point requires could not run."""
    columns: Mapping[str, Floats] = field(default_factory=dict)
    """By name; `reading` is the channel's value. NaN: absent."""

    def __len__(self) -> int:
        return len(self.time)

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]

    def with_columns(
        self, *, tests: Tests | None = None, unrun: Bools | None = None, **added: Floats
    ) -> Block:
        """
        A block with further columns, and with `tests` or `unrun` in place of its own.

        Raises:
            KeyError: a column is there already: no stage may overwrite another's.
        """
        return self.adding(added, tests, unrun)

    def adding(
        self, added: Mapping[str, Floats], tests: Tests | None = None, unrun: Bools | None = None
    ) -> Block:
        """`with_columns` for columns that come as a mapping."""
        taken = added.keys() & self.columns.keys()
        if taken:
            raise KeyError(f"column is there already: {', '.join(sorted(taken))}")
        return Block(
            self.time,
            self.tests if tests is None else tests,
            self.unrun if unrun is None else unrun,
            {**self.columns, **added},
        )


@dataclass(frozen=True, eq=False)
class Context:
    """What the stages of one gauge may look at besides their rows and their state."""

    gauge: Gauge
    segment: Segment
    joined: Mapping[str, Series]
    """Values of the channels that are joined by time."""
    is_late: bool = False
    """The rows are older than the state: it is looked at, and what comes back is dropped."""
    failing: int = FAILING
    is_contradicting: bool = False
    """With `is_late`: the rows stand at times that have their values already; they are treated
    like late ones, but do not carry the bit `late`."""

    @property
    def signal(self) -> Signal:
        """Of a strain segment."""
        if self.segment.signal is None:
            raise ValueError("a strain stage was given a segment without a signal path")
        return self.segment.signal

    @property
    def strain(self) -> StrainModel:
        """Of a strain segment."""
        if self.segment.strain is None:
            raise ValueError("a strain stage was given a segment without a strain model")
        return self.segment.strain

    @property
    def linear(self) -> LinearModel:
        """Of a linear segment."""
        if self.segment.linear is None:
            raise ValueError("a linear stage was given a segment without a scale")
        return self.segment.linear

    @property
    def shunt(self) -> ShuntModel:
        """Of a shunt segment."""
        if self.segment.shunt is None:
            raise ValueError("a shunt stage was given a segment without a shunt")
        return self.segment.shunt


Stage = Callable[[Block, "GaugeState", Context], tuple[Block, "GaugeState"]]
