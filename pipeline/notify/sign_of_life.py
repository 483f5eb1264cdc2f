"""
The daily notice that the station works, so that its absence tells that it does not.

It carries the journal's head, so that a journal cut off afterwards shows against the mails.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.notify.cautions import CAUTION_TEXT
from pipeline.notify.compose import people_told
from pipeline.notify.escalate import personal_deliveries
from pipeline.notify.message import STATE_WORDS
from pipeline.notify.topics import Publication, station_status
from pipeline.notify.wording import both_times, iso_utc, one_line, span
from pipeline.site.models import Person, Site, Structure
from pipeline.store.ledger import Notice

EVERY_H = 24
HEARD_WITHIN_US = EVERY_H * 3_600_000_000
"""A gauge is heard when a reading of it came within the time between two signs of life."""
LISTED = 40
"""Alarms and gauges named one by one; the rest is counted."""


@dataclass(frozen=True)
class StandingAlarm:
    """An alarm that is not normal: `state` of `lifecycle.State`, since when [µs since 1970]."""

    alarm: str
    priority: str
    state: str
    since_us: int


@dataclass(frozen=True)
class LifeFacts:
    """
    What the station knows of itself; times are µs since 1970 UTC, None: never.

    `heard_us` has each gauge that should be heard with its newest reading; `backlog` counts spool
    records behind the position; `oldest_unsent_us` is when the oldest notice that nobody took was
    made; `faults` are the station faults that stand, with what is wrong.
    """

    heard_us: Mapping[str, int | None]
    alarms: tuple[StandingAlarm, ...]
    last_seal_us: int | None
    backlog: int
    oldest_unsent_us: int | None
    journal_number: int
    journal_sha256: str
    faults: Mapping[str, str] = field(default_factory=dict)
    version: str = ""


def compose_sign_of_life(
    site: Site, structure: Structure, facts: LifeFacts, now_us: int
) -> tuple[Notice, ...]:
    """
    The sign of life to everybody whom a rule of the structure tells, by each of their deliveries.

    Args:
        site: whose people and zone are used.
        structure: whose worker speaks.
        facts: see `LifeFacts`.
        now_us: [µs since 1970 UTC].

    Returns:
        One notice a person and delivery, of low priority; to the log when there is nobody.
    """
    heard = _heard(facts, now_us)
    counts = f"{heard} of {len(facts.heard_us)} gauges heard, {len(facts.alarms)} alarms standing"
    trouble = f", {len(facts.faults)} STATION FAULTS" if facts.faults else ""
    people = receivers(structure, site)
    ways = [(who.id, way) for who in people for way in personal_deliveries(who)]
    return tuple(
        Notice(
            delivery=delivery,
            recipient=recipient,
            subject=f"[SIGN OF LIFE] {one_line(structure.name)}: {counts}{trouble}",
            body=_text(site, structure, facts, now_us),
            priority="low",
            alarm="",
            facts={
                "structure": structure.id,
                "event": "sign_of_life",
                "journal_number": facts.journal_number,
                "journal_sha256": facts.journal_sha256,
                "tell": [person.id for person in people],
            },
        )
        for recipient, delivery in ways or [("", "log")]
    )


def receivers(structure: Structure, site: Site) -> tuple[Person, ...]:
    """Everybody whom any rule of the structure tells, in the site's order."""
    told = {p.id for rule in structure.rules for p in people_told(rule.id, structure, site)}
    if not told:
        told = {person.id for person in people_told("", structure, site)}
    return tuple(person for person in site.people if person.id in told)


def status_publication(
    site: Site, structure: Structure, facts: LifeFacts, now_us: int, *, is_stopping: bool = False
) -> Publication:
    """The station's retained status from the same facts; `degraded` while a fault stands."""
    state = "stopped" if is_stopping else "degraded" if facts.faults else "running"
    shown = {
        "gauges": len(facts.heard_us),
        "gauges_heard": _heard(facts, now_us),
        "alarms_standing": len(facts.alarms),
        "backlog": facts.backlog,
        "last_seal": _iso(facts.last_seal_us),
        "oldest_unsent": _iso(facts.oldest_unsent_us),
        "journal_number": facts.journal_number,
        "journal_sha256": facts.journal_sha256,
        "faults": facts.faults,
        "version": facts.version,
    }
    return station_status(site.broker.prefix, structure.id, state, shown, now_us)


def _heard(facts: LifeFacts, now_us: int) -> int:
    return sum(t is not None and now_us - t <= HEARD_WITHIN_US for t in facts.heard_us.values())


def _text(site: Site, structure: Structure, facts: LifeFacts, now_us: int) -> str:
    unsent = facts.oldest_unsent_us
    waiting = "none" if unsent is None else f"the oldest for {span(max(now_us - unsent, 0))}"
    sealed = facts.last_seal_us
    lines = [
        ("STATION", f"of {one_line(structure.name)}, site {one_line(site.name)}, is running"),
        ("TIME", both_times(now_us, site.timezone)),
        ("GAUGES", f"{_heard(facts, now_us)} of {len(facts.heard_us)} heard in {EVERY_H} h"),
        *_silent_lines(facts, now_us),
        *(("FAULT", f"{name}: {one_line(what)}") for name, what in facts.faults.items()),
        *_alarm_lines(site, facts),
        ("SEALED", "nothing yet" if sealed is None else both_times(sealed, site.timezone)),
        ("BACKLOG", f"{facts.backlog} records not yet worked off"),
        ("UNSENT", f"notices that nobody took: {waiting}"),
        ("JOURNAL", f"head {facts.journal_number}, SHA-256 {facts.journal_sha256}"),
        ("VERSION", facts.version),
        (
            "EXPECT",
            f"the next sign of life within {EVERY_H} h. If it does not come, the station does not "
            "work and nobody is watching: act on its absence as on an alarm. Keep this mail: its "
            "journal head shows whether the journal was cut off later.",
        ),
        ("CAUTION", CAUTION_TEXT),
    ]
    return "\n".join(f"{key:<12}{words}" for key, words in lines if words) + "\n"


def _silent_lines(facts: LifeFacts, now_us: int) -> list[tuple[str, str]]:
    silent = [
        f"{one_line(gauge)} ({'never' if at is None else span(now_us - at) + ' ago'})"
        for gauge, at in sorted(facts.heard_us.items())
        if at is None or now_us - at > HEARD_WITHIN_US
    ]
    return [("NOT HEARD", _listed(silent, ", "))] if silent else []


def _alarm_lines(site: Site, facts: LifeFacts) -> list[tuple[str, str]]:
    if not facts.alarms:
        return [("ALARMS", "none standing")]
    lines = [
        f"{one.priority.upper()} {one_line(one.alarm)}: {STATE_WORDS.get(one.state, one.state)} "
        f"since {both_times(one.since_us, site.timezone)}"
        for one in facts.alarms
    ]
    return [("ALARMS", _listed(lines, "\n" + " " * 12))]


def _listed(parts: list[str], between: str) -> str:
    more = [f"and {len(parts) - LISTED} more"] if len(parts) > LISTED else []
    return between.join([*parts[:LISTED], *more])


def _iso(time_us: int | None) -> str | None:
    return None if time_us is None else iso_utc(time_us)
