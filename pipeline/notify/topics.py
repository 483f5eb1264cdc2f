"""
MQTT topics and payloads that the station publishes: alarms and its own status, with an expiry.

Both are retained, so that a late subscriber sees them, and both expire, so that the "normal" of
a dead worker does not look alive: who subscribes must treat a missing topic as "not known".
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.notify.wording import MICROSECONDS, iso_utc

ALARM_EXPIRY_S = 3600
"""An alarm's topic not renewed for so long is gone; the station renews it well before."""
STATION_EXPIRY_S = 300
"""The same for the station's status."""


@dataclass(frozen=True)
class Publication:
    """One retained message; `expiry_s` for the broker, and in the payload for MQTT 3.1.1."""

    topic: str
    payload: str
    expiry_s: int


def topic_level(name: str) -> str:
    """`name` as one level of a topic: `/`, `+`, `#`, `%` and control characters as `%XX`."""
    special = "/+#%"
    parts = (
        "".join(f"%{byte:02X}" for byte in c.encode()) if c in special or not c.isprintable() else c
        for c in name
    )
    return "".join(parts)


def alarm_topic(prefix: str, structure: str, alarm: str) -> str:
    """`{prefix}/{structure}/alarms/{alarm}`."""
    return f"{prefix}/{topic_level(structure)}/alarms/{topic_level(alarm)}"


def station_topic(prefix: str, structure: str) -> str:
    """`{prefix}/{structure}/station`."""
    return f"{prefix}/{topic_level(structure)}/station"


def json_payload(facts: Mapping[str, object], now_us: int, expiry_s: int) -> str:
    """
    One JSON object with `published` and `expires` (ISO 8601, UTC) added; NaN becomes null.

    A receiver whose broker knows no message expiry (MQTT 3.1.1) ignores what has expired.
    """
    whole = {
        **{name: _plain(value) for name, value in facts.items()},
        "published": iso_utc(now_us),
        "expires": iso_utc(now_us + expiry_s * MICROSECONDS),
    }
    return json.dumps(whole, ensure_ascii=False, allow_nan=False)


def station_status(
    prefix: str, structure: str, state: str, facts: Mapping[str, object], now_us: int
) -> Publication:
    """
    The retained status of a running or stopping worker.

    Args:
        prefix: of the broker's topics.
        structure: its id.
        state: `running`, `degraded` (a station fault stands) or `stopped` (on purpose).
        facts: what else it says, for example backlog and journal head.
        now_us: [µs since 1970 UTC].
    """
    payload = json_payload(
        {"structure": structure, "state": state, **facts}, now_us, STATION_EXPIRY_S
    )
    return Publication(station_topic(prefix, structure), payload, STATION_EXPIRY_S)


def station_will(prefix: str, structure: str) -> Publication:
    """The last will: state `lost`, without a time, since the broker sends it and nobody knows."""
    payload = json.dumps({"structure": structure, "state": "lost"}, ensure_ascii=False)
    return Publication(station_topic(prefix, structure), payload, STATION_EXPIRY_S)


def _plain(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return value
