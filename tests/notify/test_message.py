"""
What notices say, line by line, against texts written by hand.
"""

from __future__ import annotations

import argparse
import shlex
from typing import Any

import pytest

from pipeline.alarms.lifecycle import Event, State
from pipeline.alarms.transition import REMOVED, RULE_REMOVED
from pipeline.cli import alarms
from pipeline.notify.cautions import CAUTION_TEXT
from pipeline.notify.message import EVENT_WORDS, STATE_WORDS, subject_of, text_of
from tests.notify.scenario import D3, HIGH, HOUR, NOW, site, structure, transition

PLACE = "--site /srv/quillmere --structure quillmere"


def lines_of(**changes: Any) -> dict[str, str]:
    """The notice about a changed transition as key and words."""
    text = text_of(transition(**changes), structure(), site())
    return {line[:12].strip(): line[12:] for line in text.splitlines()}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "[HIGH] Quillmere deck: strain above limit at D3 (deck-high.D3)"),
        (
            {"value": -412.3, "limit": -400.0},
            "[HIGH] Quillmere deck: strain below limit at D3 (deck-high.D3)",
        ),
        (
            {"value": 391.0, "crossing": "margin"},
            "[HIGH] Quillmere deck: strain with its uncertainty above limit at D3 (deck-high.D3)",
        ),
        (
            {"late": True, "priority": "critical"},
            "[CRITICAL, late] Quillmere deck: strain above limit at D3 (deck-high.D3)",
        ),
        (
            {"retrospective": True},
            "[HIGH, retrospective] Quillmere deck: strain above limit at D3 (deck-high.D3)",
        ),
        (
            {"event": "re_alarmed", "before": "acknowledged"},
            "[HIGH] Quillmere deck: again: strain above limit at D3 (deck-high.D3)",
        ),
        (
            {"event": "returned", "before": "unacknowledged", "after": "returned"},
            "[HIGH] Quillmere deck: returned to normal: strain at D3 (deck-high.D3)",
        ),
        (
            {"event": "acknowledged", "value": None, "u": None, "limit": None, "crossing": ""},
            "[HIGH] Quillmere deck: acknowledged: strain limit alarm at D3 (deck-high.D3)",
        ),
        (
            {"rule": "deck-quiet", "alarm": "deck-quiet.D3", "value": None, "limit": None},
            "[HIGH] Quillmere deck: no readings at D3 (deck-quiet.D3)",
        ),
        (
            {"rule": "station", "alarm": "station.disk", "point": "", "detail": "disk\nfull"},
            "[HIGH] Quillmere deck: station fault: disk full (station.disk)",
        ),
    ],
)
def test_subject_says_what_where_and_how_urgent(changes: dict[str, Any], expected: str) -> None:
    """The subject alone tells priority, structure, what happened, the point and the alarm."""
    told = subject_of(transition(**changes), structure())

    assert told == expected


def test_text_of_a_raise_says_everything_a_reader_needs() -> None:
    """What, where, value and limit, when, what the rule says, how to acknowledge, cautions."""
    lines = lines_of()

    assert lines == {
        "WHAT": "strain above limit at D3",
        "WHERE": "Quillmere deck; member girder G2; point D3; x = 12.5 m, y = 0 m, z = -0.85 m; "
        "direction along the girder",
        "VALUE": "mechanical strain +412 ± 18 µm/m (tension); the interval holds the true value "
        "with 95 %",
        "LIMIT": "+400 µm/m (high) (tension)",
        "CROSSING": "the value itself is above the limit, by 12 µm/m.",
        "OCCURRED": "2027-07-01 14:03:05 +02:00 (12:03:05 UTC)",
        "DETECTED": "2027-07-01 14:03:05 +02:00 (12:03:05 UTC)",
        "STATE": "in alarm, not acknowledged (before: normal)",
        "PRIORITY": "high",
        "RULE": "deck-high",
        "CAUSE": "overload or loss of a bearing",
        "CONSEQUENCE": "yield of the bottom flange",
        "DO": "close the deck and inspect girder G2",
        "WITHIN": "30 min",
        "BASIS": "calculation Q-7, W. Tarrant",
        "ALARM": "deck-high.D3 of structure quillmere, site Quillmere",
        "ACKNOWLEDGE": f"spanwarden alarms ack deck-high.D3 {PLACE} "
        "--by YOUR-ID --comment 'WHAT YOU FOUND AND DID'",
        "CAUTION": CAUTION_TEXT,
    }


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        (
            {"value": 391.0, "crossing": "margin"},
            "only the margin: the value is 9 µm/m below the limit, value + 2u = +409 µm/m is "
            "above it.",
        ),
        (
            {"value": -391.0, "limit": -400.0, "crossing": "margin"},
            "only the margin: the value is 9 µm/m above the limit, value - 2u = -409 µm/m is "
            "below it.",
        ),
        (
            {"value": 391.0, "crossing": "margin_grew"},
            "only the margin: the value is 9 µm/m below the limit, value + 2u = +409 µm/m is "
            "above it. It crossed because the uncertainty grew, not because the value moved: look "
            "at the gauge, its climate readings and its calibration as well as at the structure.",
        ),
        (
            {"value": -412.5, "limit": -400.0},
            "the value itself is below the limit, by 12 µm/m.",
        ),
    ],
)
def test_crossing_tells_value_from_margin_and_why(changes: dict[str, Any], expected: str) -> None:
    """The value that crossed, the margin that crossed and the margin that grew read differently."""
    lines = lines_of(**changes)

    assert lines["CROSSING"] == expected


def test_compression_is_named_beside_the_sign() -> None:
    """Nobody has to know the sign convention."""
    lines = lines_of(value=-412.3, limit=-400.0)

    assert lines["VALUE"].startswith("mechanical strain -412 ± 18 µm/m (compression);")
    assert lines["LIMIT"] == "-400 µm/m (low) (compression)"


def test_total_strain_is_named_as_such() -> None:
    """The notice names which strain the point watches."""
    deck = structure(points=(D3.model_copy(update={"watched": "total"}),))
    text = text_of(transition(), deck, site())

    assert "VALUE       total strain +412 ± 18 µm/m" in text


def test_late_and_retrospective_are_spelled_out() -> None:
    """Occurrence and detection are both told, with the time between and the reason."""
    lines = lines_of(late=True, retrospective=True, occurred_us=NOW - 6 * HOUR)

    assert lines["OCCURRED"] == "2027-07-01 08:03:05 +02:00 (06:03:05 UTC)"
    assert lines["DETECTED"] == "2027-07-01 14:03:05 +02:00 (12:03:05 UTC), 6 h later"
    assert lines["LATE"].startswith("the readings came late")
    assert lines["AFTERWARDS"].startswith("found when stored readings were worked out again")


def test_plain_comparison_is_said_with_its_reason() -> None:
    """A rule that ignores the uncertainty says so, and why the engineer chose it."""
    plain = HIGH.model_copy(update={"compare": "plain", "compare_reason": "agreed in Q-7"})
    text = text_of(transition(), structure(rules=(plain,)), site())

    assert "COMPARED    without its uncertainty: agreed in Q-7" in text


def test_a_value_that_is_not_a_number_is_told_without_a_crossing() -> None:
    """NaN is told as no value and never compared."""
    lines = lines_of(value=float("nan"), u=float("nan"), detail="gauge failed while pending")

    assert lines["VALUE"] == "mechanical strain no value"
    assert "CROSSING" not in lines
    assert lines["DETAIL"] == "gauge failed while pending"


def test_a_rule_that_left_the_configuration_is_said() -> None:
    """The notice does not fail, it says that nobody wrote down what to do."""
    lines = lines_of(rule="gone", alarm="gone.D3")

    assert lines["RULE"] == (
        '"gone" is not in the configuration that runs now; ask an engineer what to do'
    )


def test_acknowledged_notice_names_the_person_and_asks_for_nothing() -> None:
    """Who acknowledged and what they wrote is told; no command is offered."""
    lines = lines_of(
        event="acknowledged",
        before="unacknowledged",
        after="acknowledged",
        by="o.pell",
        comment="closed the deck\nACKNOWLEDGE spoofed",
    )

    assert lines["BY"] == "o.pell"
    assert lines["COMMENT"] == "closed the deck ACKNOWLEDGE spoofed"
    assert "ACKNOWLEDGE" not in lines


def test_latched_alarm_tells_how_to_reset_it() -> None:
    """A latched alarm that was acknowledged waits for a reset and says so."""
    lines = lines_of(after="latched_acknowledged", event="acknowledged")

    assert lines["RESET"].startswith(f"spanwarden alarms reset deck-high.D3 {PLACE} --by")


@pytest.mark.parametrize("after", ["unacknowledged", "returned", "latched_unacknowledged"])
def test_every_state_that_waits_for_a_person_offers_the_command(after: str) -> None:
    """The three unacknowledged states of the life cycle tell how to acknowledge."""
    lines = lines_of(after=after)

    assert lines["ACKNOWLEDGE"].startswith(f"spanwarden alarms ack deck-high.D3 {PLACE} --by")


def test_a_hostile_alarm_name_cannot_run_anything_when_pasted() -> None:
    """The command quotes the name for the shell."""
    lines = lines_of(alarm="deck;rm -rf ~")

    assert lines["ACKNOWLEDGE"].startswith(f"spanwarden alarms ack 'deck;rm -rf ~' {PLACE} --by")


def test_words_exist_for_every_event_and_state() -> None:
    """No event or state of the life cycle is shown by its code."""
    assert set(EVENT_WORDS) == set(Event) | {RULE_REMOVED}
    assert set(STATE_WORDS) == set(State) | {REMOVED}


@pytest.mark.parametrize("event", [*Event, RULE_REMOVED])
def test_no_notice_claims_that_anything_is_safe(event: str) -> None:
    """Outside the cautions the word does not appear."""
    told = transition(event=event)
    whole = subject_of(told, structure()) + text_of(told, structure(), site())

    assert "safe" not in whole.replace(CAUTION_TEXT, "").lower()


def test_the_offered_command_is_one_that_the_program_takes() -> None:
    """What the notice says to paste is read by the command's own parser."""
    parser = argparse.ArgumentParser()
    alarms.add_arguments(parser)
    words = shlex.split(lines_of()["ACKNOWLEDGE"])
    read = parser.parse_args(words[2:])

    assert words[:2] == ["spanwarden", "alarms"]
    assert (read.action, read.alarm) == ("ack", "deck-high.D3")
    assert (read.site, read.structure) == ("/srv/quillmere", "quillmere")
    assert (read.by, read.comment) == ("YOUR-ID", "WHAT YOU FOUND AND DID")


def test_act_says_when_it_was_done_and_since_when_there_is_something_to_act_on() -> None:
    """Ten minutes after the excursion somebody acknowledged; that is no late detection."""
    act: dict[str, Any] = {
        "event": "acknowledged",
        "by": "w.tarrant",
        "detected_us": NOW + 600_000_000,
    }
    lines = lines_of(**act)

    assert lines["OCCURRED"] == "2027-07-01 14:03:05 +02:00 (12:03:05 UTC)"
    assert lines["DONE"] == "2027-07-01 14:13:05 +02:00 (12:13:05 UTC)"
    assert "DETECTED" not in lines
