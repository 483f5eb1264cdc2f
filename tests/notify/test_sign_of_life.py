"""
The sign of life and the station's status: what they say, to whom, and what they never say.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from pipeline.notify.cautions import CAUTION_TEXT
from pipeline.notify.sign_of_life import (
    LifeFacts,
    StandingAlarm,
    compose_sign_of_life,
    status_publication,
)
from pipeline.store.ledger import Notice
from tests.notify.scenario import HIGH, HOUR, NOW, SECOND, site, structure

HASH = "5f" * 32


def facts(**changes: Any) -> LifeFacts:
    """A station with one of three gauges silent and one alarm; other facts where needed."""
    known = LifeFacts(
        heard_us={"S-01": NOW - 5 * SECOND, "S-02": NOW - 30 * HOUR, "S-03": None},
        alarms=(StandingAlarm("deck-high.D3", "high", "unacknowledged", NOW - HOUR),),
        last_seal_us=NOW - 600 * SECOND,
        backlog=4,
        oldest_unsent_us=NOW - 90 * SECOND,
        journal_number=118,
        journal_sha256=HASH,
        version="0.1.0",
    )
    return replace(known, **changes)


def told(**changes: Any) -> tuple[Notice, ...]:
    """The signs of life with changed facts."""
    return compose_sign_of_life(site(), structure(), facts(**changes), NOW)


def test_text_says_what_the_station_knows_of_itself() -> None:
    """Gauges, alarms, seal, backlog, unsent notices, journal head, and what to do when it stops."""
    lines = told()[0].body.splitlines()

    assert lines == [
        "STATION     of Quillmere deck, site Quillmere, is running",
        "TIME        2027-07-01 14:03:05 +02:00 (12:03:05 UTC)",
        "GAUGES      1 of 3 heard in 24 h",
        "NOT HEARD   S-02 (1 d 6 h ago), S-03 (never)",
        "ALARMS      HIGH deck-high.D3: in alarm, not acknowledged since "
        "2027-07-01 13:03:05 +02:00 (11:03:05 UTC)",
        "SEALED      2027-07-01 13:53:05 +02:00 (11:53:05 UTC)",
        "BACKLOG     4 records not yet worked off",
        "UNSENT      notices that nobody took: the oldest for 1 min 30 s",
        f"JOURNAL     head 118, SHA-256 {HASH}",
        "VERSION     0.1.0",
        "EXPECT      the next sign of life within 24 h. If it does not come, the station does not "
        "work and nobody is watching: act on its absence as on an alarm. Keep this mail: its "
        "journal head shows whether the journal was cut off later.",
        f"CAUTION     {CAUTION_TEXT}",
    ]


def test_subject_counts_and_names_faults_first() -> None:
    """The subject alone shows a quiet station from one in trouble."""
    good = told(alarms=(), heard_us={"S-01": NOW})[0].subject
    bad = told(faults={"disk": "100 MB left"})[0]

    assert good == "[SIGN OF LIFE] Quillmere deck: 1 of 1 gauges heard, 0 alarms standing"
    assert bad.subject == (
        "[SIGN OF LIFE] Quillmere deck: 1 of 3 gauges heard, 1 alarms standing, 1 STATION FAULTS"
    )
    assert "FAULT       disk: 100 MB left" in bad.body


def test_it_claims_nothing_but_that_the_station_runs() -> None:
    """No word of a quiet day can be read as an all-clear."""
    quiet = told(alarms=(), faults={}, oldest_unsent_us=None)[0]
    words = (quiet.subject + quiet.body).replace(CAUTION_TEXT, "").lower()

    assert "none standing" in words
    assert not any(claim in words for claim in ("safe", "all is well", "all clear", "sound"))


def test_everybody_whom_a_rule_tells_gets_it_once_by_each_delivery() -> None:
    """Those who act on an alarm are those who must notice its absence."""
    ways = [(one.recipient, one.delivery) for one in told()]

    assert ways == [("w.tarrant", "mail"), ("w.tarrant", "log"), ("o.pell", "mail")]


def test_without_anybody_it_goes_to_the_log() -> None:
    """A site without people still leaves its head hash somewhere."""
    deck = structure(rules=(HIGH.model_copy(update={"tell": ()}),))
    notices = compose_sign_of_life(site(people=()), deck, facts(), NOW)

    assert [(one.recipient, one.delivery) for one in notices] == [("", "log")]
    assert notices[0].facts["journal_sha256"] == HASH


def test_a_flood_of_alarms_is_listed_in_part_and_counted() -> None:
    """The mail stays readable and says how much it left out."""
    many = tuple(StandingAlarm(f"a.{n}", "low", "shelved", NOW) for n in range(45))
    body = told(alarms=many)[0].body

    assert body.count(": shelved since") == 40
    assert "and 5 more" in body


def test_status_shows_running_degraded_and_stopped() -> None:
    """The retained status is told from the same facts and expires in 5 min."""
    running = status_publication(site(), structure(), facts(), NOW)
    degraded = status_publication(site(), structure(), facts(faults={"disk": "full"}), NOW)
    stopped = status_publication(site(), structure(), facts(), NOW, is_stopping=True)
    shown = json.loads(running.payload)

    assert [json.loads(one.payload)["state"] for one in (running, degraded, stopped)] == [
        "running",
        "degraded",
        "stopped",
    ]
    assert running.topic == "spanwarden/quillmere/station"
    assert shown["gauges_heard"] == 1
    assert shown["journal_sha256"] == HASH
    assert shown["expires"] == "2027-07-01T12:08:05.000000Z"
