"""
Which alarms wait for an acknowledgement, and when they are told again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace

from pipeline.alarms.transition import Transition
from pipeline.notify.compose import alarm_publication
from pipeline.notify.message import needs_acknowledgement
from pipeline.notify.repeat import Waiting, reminders
from pipeline.notify.topics import Publication
from pipeline.station.machine import Setup
from pipeline.store.ledger import Notice

STATE_NAME = "waiting"


class Reminding:
    """
    The last transition of each alarm, and since when and how often it was told.

    Args:
        setup: of the running configuration.
        texts: the ledger's saved states.
    """

    def __init__(self, setup: Setup, texts: Mapping[str, str]) -> None:
        self._setup = setup
        self._waiting: dict[str, Waiting] = {}
        for facts, raised_us, told_us in json.loads(texts.get(STATE_NAME, "[]")):
            last = Transition.from_facts(facts)
            self._waiting[last.alarm] = Waiting(last, raised_us, told_us)

    def to_texts(self) -> dict[str, str]:
        """The state as a named text for the ledger."""
        kept = [
            [one.transition.to_facts(), one.raised_us, one.last_told_us]
            for one in self._waiting.values()
        ]
        return {STATE_NAME: json.dumps(kept)}

    def note(self, transitions: Iterable[Transition]) -> None:
        """Take what has just been told; an alarm that is normal again is forgotten."""
        for last in transitions:
            if last.after in ("normal", "removed"):
                self._waiting.pop(last.alarm, None)
                continue
            known = self._waiting.get(last.alarm)
            waits_on = known is not None and needs_acknowledgement(known.transition)
            raised_us = known.raised_us if known and waits_on else last.detected_us
            self._waiting[last.alarm] = Waiting(last, raised_us, last.detected_us)

    def due(self, now_us: int) -> tuple[Notice, ...]:
        """Notices of the alarms that nobody acknowledged in time; counted as told from now."""
        setup = self._setup
        notices = reminders(self._waiting.values(), setup.structure, setup.site, now_us)
        for alarm in {notice.alarm for notice in notices}:
            self._waiting[alarm] = replace(self._waiting[alarm], last_told_us=now_us)
        return notices

    def publications(self, now_us: int) -> list[Publication]:
        """The retained state of every alarm that is not normal, to be renewed in time."""
        setup = self._setup
        return [
            alarm_publication(one.transition, setup.structure, setup.site, now_us)
            for one in list(self._waiting.values())
        ]
