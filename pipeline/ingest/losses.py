"""
Lost connections of the station: when they say that another client uses its id, or the link flaps.

Two clients with one id share a session: each takes it from the other, and each gets a part of the
readings, while both look connected most of the time.
"""

from __future__ import annotations

from collections import deque

TAKEN_OVER = 0x8E
"""MQTT 5.0, 3.14.2.1: another connection with the same client id took the session."""
MANY = 5
"""A broker that is restarted or a link that fails once loses fewer connections in a span."""
SPAN_S = 300.0


class Losses:
    """
    Connections that were lost and not given up by us; times on one monotonic clock [s].

    Args:
        client_id: of the station, for the words.
    """

    def __init__(self, client_id: str) -> None:
        self.count = 0
        self._client_id = client_id
        self._times: deque[float] = deque(maxlen=MANY)
        self._taken_s: float | None = None

    def note(self, now_s: float, reason: int) -> None:
        """A connection was lost for an MQTT reason."""
        self.count += 1
        self._times.append(now_s)
        if reason == TAKEN_OVER:
            self._taken_s = now_s

    def fault(self, now_s: float) -> str | None:
        """
        What a person should read, until nothing more was lost for `SPAN_S`; None: nothing.

        One session that was taken over is enough; of other losses it needs `MANY` in a span.
        """
        is_taken = self._taken_s is not None and now_s - self._taken_s < SPAN_S
        is_many = len(self._times) == MANY and now_s - self._times[0] < SPAN_S
        if not is_taken and not is_many:
            return None
        found = (
            "the broker gave the session to another connection"
            if is_taken
            else f"{MANY} connections were lost within {SPAN_S / 60:.0f} min"
        )
        doubt = "" if is_taken else ", or the link flaps"
        return (
            f"another client uses the id {self._client_id}{doubt}: {found}. Two that share an id "
            "share the readings, and neither has them all. Stop the other station, or the copy of "
            "this site on another computer" + (", or mend the link." if doubt else ".")
        )
