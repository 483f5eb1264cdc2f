"""
What the chain remembers between two blocks: plain, frozen, versioned, JSON with exact floats.

Arrays of joined channels are base64 of little-endian int64 and float64; all else is readable.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from pipeline.derive.combine_state import CarriedRow, carried_json, carried_of
from pipeline.derive.series import Series
from pipeline.errors import StateVersionError

STATE_VERSION = 1


@dataclass(frozen=True)
class FilmState:
    """Moisture of a film at the last humidity that drove it; what drives it is held."""

    time: int
    drive: float
    """φ at the surface, 0..1."""
    drive_u: float
    moisture: float
    moisture_u: float
    tau: float
    """Time constant that holds until the next drive [s]."""


@dataclass(frozen=True)
class CreepState:
    """Load and creep states at the last reading that had a number; in δ."""

    time: int
    load: float
    states: tuple[float, ...]
    taus: tuple[float, ...]


@dataclass(frozen=True)
class NoiseState:
    """
    Sums over the slices of time that a standard deviation is made of; tuples of one length.

    Sums are taken about `origin`, the first value of a slice, so that they stay exact however far
    the values are from 0.
    """

    width: int
    """Of a slice [µs]; a memory of other slices is of no use."""
    since: int
    """Time of the first value that counts [µs]."""
    index: tuple[int, ...]
    """Number of the slice since 1970, ascending; the last one is not complete."""
    count: tuple[int, ...]
    origin: tuple[float, ...]
    total: tuple[float, ...]
    square: tuple[float, ...]


@dataclass(frozen=True)
class GaugeState:
    """Memory of one gauge; None: nothing yet."""

    last_time: int | None = None
    """Of the newest reading, failed ones included [µs]."""
    last_value: float | None = None
    """Of that reading, in the channel's unit."""
    watched_time: int | None = None
    watched: float | None = None
    """Newest value of the point, and its time."""
    first_time: int | None = None
    """Of the first value of the point."""
    flat_time: tuple[int, ...] = ()
    flat_value: tuple[float, ...] = ()
    """Values that can still be the extremes of a flat-line window, ascending in time."""
    earlier_time: int | None = None
    earlier: float | None = None
    """The value before `watched`, for the spike test."""
    last_sequence: float | None = None
    """Of the newest reading, for the clock test."""
    awake_time: int | None = None
    awake_since: int | None = None
    """The newest reading, and the first one since the excitation came back [µs]."""
    noise: NoiseState | None = None
    film: FilmState | None = None
    creep: CreepState | None = None


@dataclass(frozen=True)
class ChainState:
    """State of the chain for one structure, by gauge (serial|channel|point) and channel."""

    version: int = STATE_VERSION
    gauges: Mapping[str, GaugeState] = field(default_factory=dict)
    joined: Mapping[str, Series] = field(default_factory=dict)
    combined: Mapping[str, CarriedRow] = field(default_factory=dict)
    """Last rows of the points that rosettes and sections put together."""

    def to_json(self) -> str:
        """Canonical JSON: equal states give equal text; floats come back exactly."""
        content = {
            "version": self.version,
            "gauges": {key: _gauge_json(state) for key, state in self.gauges.items()},
            "joined": {
                name: {"time": _packed(s.time, "<i8"), "value": _packed(s.value, "<f8")}
                for name, s in self.joined.items()
            },
        }
        if self.combined:  # left out when empty: states of before there were any stay as they are
            content["combined"] = carried_json(self.combined)
        return json.dumps(content, sort_keys=True, allow_nan=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> ChainState:
        """
        Undoes `to_json`.

        Raises:
            StateVersionError: written by another version, or not a state at all.
        """
        try:
            content = json.loads(text)
        except ValueError:
            content = None
        found = content.get("version") if isinstance(content, dict) else "unreadable"
        if not isinstance(content, dict) or found != STATE_VERSION:
            raise StateVersionError("chain state", found, STATE_VERSION)
        return cls(
            STATE_VERSION,
            {key: _gauge_state(value) for key, value in content["gauges"].items()},
            {
                name: Series(
                    _unpacked(arrays["time"], "<i8").astype(np.int64),
                    _unpacked(arrays["value"], "<f8").astype(np.float64),
                )
                for name, arrays in content["joined"].items()
            },
            carried_of(content.get("combined", {})),
        )


def _gauge_json(state: GaugeState) -> dict[str, Any]:
    return {key: value for key, value in asdict(state).items() if value not in (None, ())}


def _gauge_state(content: dict[str, Any]) -> GaugeState:
    film, creep, noise = content.get("film"), content.get("creep"), content.get("noise")
    parts = ("film", "creep", "noise")
    plain = {key: value for key, value in content.items() if key not in parts}
    for key in ("flat_time", "flat_value"):
        plain[key] = tuple(plain.get(key, ()))
    if creep is not None:
        creep = {**creep, "states": tuple(creep["states"]), "taus": tuple(creep["taus"])}
    if noise is not None:
        noise = {key: tuple(v) if isinstance(v, list) else v for key, v in noise.items()}
    return GaugeState(
        **plain,
        noise=None if noise is None else NoiseState(**noise),
        film=None if film is None else FilmState(**film),
        creep=None if creep is None else CreepState(**creep),
    )


def _packed(values: np.ndarray[Any, Any], kind: str) -> str:
    return base64.b64encode(values.astype(kind).tobytes()).decode("ascii")


def _unpacked(text: str, kind: str) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(text), dtype=kind)
