"""
Random streams of rows for the alarm properties, and a model of level rules written apart.

The model knows nothing of batches, arrays or phases: it reads one row after another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from hypothesis import strategies as st

from tests.alarms.examples import Row

LIMIT, DEADBAND = 1000.0, 50.0

# What a row can be, by its margin against 1000 with deadband 50 and u = 10 (k·u = 20).
LEVELS: dict[str, tuple[float | None, float | None, int]] = {
    "up": (1040.0, 10.0, 1),
    "margin": (985.0, 10.0, 3),
    "between": (960.0, 10.0, 1),
    "down": (700.0, 10.0, 2),
    "dead": (None, None, 4),
    "dead_with_value": (5000.0, 10.0, 4),
}
EXCEEDS = ("up", "margin")
DEAD = ("dead", "dead_with_value")


@dataclass(frozen=True)
class Stream:
    """Rows at strictly increasing seconds, what each is, and where the stream is cut."""

    kinds: tuple[str, ...]
    times: tuple[int, ...]
    cuts: tuple[int, ...]

    def rows(self) -> list[Row]:
        """All rows."""
        return [(t, *LEVELS[kind]) for t, kind in zip(self.times, self.kinds, strict=True)]

    def pieces(self) -> list[tuple[int, int]]:
        """First and one past last row of each piece, none of them empty."""
        edges = [0, *self.cuts, len(self.kinds)]
        return [(a, b) for a, b in pairwise(edges) if b > a]


@st.composite
def streams(draw: st.DrawFn) -> Stream:
    """Up to 40 rows, 1 to 30 s apart, cut anywhere."""
    kinds = draw(st.lists(st.sampled_from(sorted(LEVELS)), min_size=1, max_size=40))
    steps = draw(st.lists(st.integers(1, 30), min_size=len(kinds), max_size=len(kinds)))
    cuts = draw(st.sets(st.integers(1, len(kinds)), max_size=10))
    times = tuple(sum(steps[: i + 1]) for i in range(len(steps)))
    return Stream(tuple(kinds), times, tuple(sorted(cuts)))


@dataclass
class Model:
    """A level rule told in plain words: `on_s` to raise, `off_s` to return."""

    on_s: float
    off_s: float
    exceeding_since: float | None = None
    back_since: float | None = None
    is_raised: bool = False
    story: list[tuple[str, float]] = field(default_factory=list)

    def read(self, second: float, kind: str) -> None:
        """One row."""
        if self.is_raised:
            self._read_raised(second, kind)
        elif kind in EXCEEDS or (kind in DEAD and self.exceeding_since is not None):
            since = second if self.exceeding_since is None else self.exceeding_since
            self.exceeding_since = since
            if kind in DEAD or second - since >= self.on_s:
                self.is_raised = True
                self.story.append(("occurred", since))
        else:
            self.exceeding_since = None

    def _read_raised(self, second: float, kind: str) -> None:
        if kind != "down":
            self.back_since = None
            return
        self.back_since = second if self.back_since is None else self.back_since
        if second - self.back_since >= self.off_s:
            self.story.append(("returned", self.back_since))
            self.is_raised, self.exceeding_since, self.back_since = False, None, None


def model_story(stream: Stream, on_s: float, off_s: float) -> list[tuple[str, float]]:
    """What a rule with these delays must tell of the stream when no tick comes between."""
    model = Model(on_s, off_s)
    for second, kind in zip(stream.times, stream.kinds, strict=True):
        model.read(second, kind)
    return model.story
