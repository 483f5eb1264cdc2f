"""
What the alarm engine remembers: its clock, each alarm's story, what each point last said.

Plain, frozen and versioned; it goes through JSON without loss.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from pipeline.alarms.condition import Condition, Evidence
from pipeline.alarms.lifecycle import State
from pipeline.alarms.rules import RuleSet, Watch
from pipeline.errors import StateVersionError

VERSION = 1

STEP_US = 60_000_000
"""A clock that reads this much earlier than before was set back; less is disorder of arrival."""

ACTIVATIONS_KEPT = 200


@dataclass(frozen=True)
class Clock:
    """
    The station's time as it comes with the data, and a steady time made of its advances.

    Delays and silence are counted on `steady_us`, which never goes back and goes on counting
    after the station's clock was set back.
    """

    now_us: int | None = None
    """Newest time seen [µs since 1970 UTC]; None before the first."""
    steady_us: int = 0

    def advanced(self, now_us: int) -> Clock:
        """The clock after something that happened at `now_us`."""
        if self.now_us is None or self.now_us - now_us > STEP_US:
            return Clock(now_us, self.steady_us)
        if now_us <= self.now_us:
            return self
        return Clock(now_us, self.steady_us + now_us - self.now_us)


@dataclass(frozen=True)
class Activation:
    """The condition was present from `occurred_us` until `until_us` (None: it still is)."""

    occurred_us: int
    until_us: int | None


@dataclass(frozen=True)
class AlarmRecord:
    """One alarm: where it stands in the life cycle, its condition and its recent activations."""

    alarm: str
    rule: str
    point: str
    priority: str
    watched_us: int
    """Steady time since when it is watched [µs]."""
    state: State = State.NORMAL
    condition: Condition = field(default_factory=Condition)
    is_latched: bool = False
    """A latching alarm occurred and was not reset since."""
    shelved_until_us: int | None = None
    """[µs since 1970 UTC]."""
    shelved_until_steady_us: int | None = None
    """The same by the steady clock; whichever is first ends the shelving."""
    activations: tuple[Activation, ...] = ()
    """The last `ACTIVATIONS_KEPT`, in the order in which they became known."""
    is_removed: bool = False
    """Its rule or point left the configuration."""
    evidence: Evidence = field(default_factory=Evidence)
    """Of the last raise, also after the condition has gone."""


@dataclass(frozen=True)
class PointMemory:
    """
    When a point was last heard, and its last value that could be judged (point's unit).

    Heard is a point whose newest reading is newer than before: repeats, late readings and other
    values at an old time say nothing of now, and a clock that stands still is a silent gauge.
    """

    heard_steady_us: int
    heard_us: int
    """The same by the station's clock [µs since 1970 UTC], for people."""
    value: float | None = None
    u: float | None = None
    newest_us: int | None = None
    """Newest time of a reading [µs since 1970 UTC]; None: not noted yet."""


@dataclass(frozen=True)
class AlarmState:
    """The whole memory of the engine; never changed in place."""

    version: int = VERSION
    clock: Clock = Clock()
    alarms: Mapping[str, AlarmRecord] = field(default_factory=dict)
    points: Mapping[str, PointMemory] = field(default_factory=dict)

    def to_json(self) -> str:
        """As JSON text; `from_json` gives an equal state."""
        return msgspec.json.encode(self).decode()

    @classmethod
    def from_json(cls, text: str) -> AlarmState:
        """
        The state that `to_json` wrote.

        Raises:
            StateVersionError: written by another version, or not such a state at all.
        """
        try:
            found: Any = msgspec.json.decode(text)
            version = found.get("version") if isinstance(found, dict) else None
            if version != VERSION:
                raise StateVersionError("alarm state", version, VERSION)
            return msgspec.convert(found, cls)
        except msgspec.DecodeError as error:  # a ValidationError is one
            raise StateVersionError("alarm state", f"none ({error})", VERSION) from error

    def with_records(self, records: Mapping[str, AlarmRecord]) -> AlarmState:
        """The state with these alarms replaced or added."""
        return replace(self, alarms={**self.alarms, **records}) if records else self


def resume(now_us: int, state: AlarmState) -> AlarmState:
    """
    Go on at `now_us` after a time in which the station did not listen.

    That time counts neither as silence of a gauge nor as time for which a reading was held.
    """
    return replace(state, clock=Clock(now_us, state.clock.steady_us))


def fresh(watch: Watch, steady_us: int) -> AlarmRecord:
    """The record of an alarm that is watched from now on."""
    return AlarmRecord(watch.alarm, watch.rule.id, watch.point, watch.rule.priority, steady_us)


def find_watch(alarm: str, state: AlarmState, rules: RuleSet) -> Watch | None:
    """The watch of a configured alarm, or of a station fault that was named before."""
    if alarm in rules.watches:
        return rules.watches[alarm]
    record = state.alarms.get(alarm)
    if record is not None:
        for rule in rules.stations:
            if rule.id == record.rule:
                return rules.station_watch(rule, record.point)
    return None
