"""
A sample stream played into a copy of the example site, for commands that read what it left.
"""

from __future__ import annotations

from pathlib import Path

from tests.replaying import US, Replay, copied_site, with_ticks
from tests.streams import expected, recorded

HOUR_US = 3600 * US


def played(into: Path, name: str, *, sealed: bool = True) -> Replay:
    """
    The station after a sample stream; whoever calls closes it.

    Args:
        into: folder for the copy of the site.
        name: of the stream.
        sealed: for good, two days later; False: all of it is in the spool still.
    """
    records = recorded(name)
    replay = Replay(copied_site(into), expected(name)["structure"])
    for lot in with_ticks(records, 600 * US):
        replay.feed(lot)
    if sealed:
        replay.seal(records[-1].received_us + 48 * HOUR_US)
    return replay
