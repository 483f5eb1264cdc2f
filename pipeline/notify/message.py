"""
What a notice about an alarm says: its subject line and its text.

Pure wording: a transition and the configuration in, text out. Everything that a person or a
configuration wrote is put in one line, so that nothing can pass for a line of the notice itself.
"""

from __future__ import annotations

import math
import shlex

from pipeline.alarms.lifecycle import Event, State
from pipeline.alarms.transition import REMOVED, RULE_REMOVED, Transition
from pipeline.notify.cautions import CAUTION_TEXT
from pipeline.notify.wording import (
    both_times,
    decimals_of,
    number,
    one_line,
    place,
    point_named,
    sense,
    span,
    value_with_u,
)
from pipeline.site.models import Rule, Site, Structure

LATE_AFTER_US = 1_000_000
"""Detection this much after occurrence is spelled out."""

# What people read for an event, before what the alarm is about.
EVENT_WORDS = {
    Event.OCCURRED: "",
    Event.RE_ALARMED: "again: ",
    Event.RETURNED: "returned to normal: ",
    Event.RETURNED_LATCHED: "condition gone, alarm latched: ",
    Event.ACKNOWLEDGED: "acknowledged: ",
    Event.RESET: "reset: ",
    Event.SHELVED: "shelved: ",
    Event.UNSHELVED_NORMAL: "no longer shelved, condition not present: ",
    Event.UNSHELVED_ALARM: "no longer shelved, condition present: ",
    Event.UNSHELVED_LATCHED: "no longer shelved, condition was there: ",
    Event.SUPPRESSED: "suppressed by design: ",
    Event.RELEASED_NORMAL: "no longer suppressed, condition not present: ",
    Event.RELEASED_ALARM: "no longer suppressed, condition present: ",
    Event.RELEASED_LATCHED: "no longer suppressed, condition was there: ",
    Event.TAKEN_OUT_OF_SERVICE: "taken out of service: ",
    Event.IN_SERVICE_NORMAL: "back in service, condition not present: ",
    Event.IN_SERVICE_ALARM: "back in service, condition present: ",
    Event.IN_SERVICE_LATCHED: "back in service, condition was there: ",
    RULE_REMOVED: "no longer watched, rule or point left the configuration: ",
}

STATE_WORDS = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "in alarm, not acknowledged",
    State.ACKNOWLEDGED: "in alarm, acknowledged",
    State.RETURNED: "returned to normal, not acknowledged",
    State.LATCHED_UNACKNOWLEDGED: "latched, not acknowledged",
    State.LATCHED_ACKNOWLEDGED: "latched, acknowledged, waits for a reset",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
    REMOVED: "removed from the configuration",
}

UNACKNOWLEDGED = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
"""States that wait for a person."""

EXCURSIONS = frozenset({Event.OCCURRED, Event.RE_ALARMED})
"""Events in which `limit` was just exceeded."""


def subject_of(transition: Transition, structure: Structure) -> str:
    """For example `[HIGH] Quillmere deck: strain above limit at D3 (deck-high.D3)`."""
    marks = [transition.priority.upper()]
    marks += ["late"] if transition.late else []
    marks += ["retrospective"] if transition.retrospective else []
    word = _event_words(transition)
    what = headline(transition, structure)
    name = one_line(structure.name)
    return one_line(f"[{', '.join(marks)}] {name}: {word}{what} ({transition.alarm})")


def headline(transition: Transition, structure: Structure) -> str:
    """What the alarm is about in a few words, without its state."""
    rule = rule_named(structure, transition.rule)
    kind = rule.kind if rule else ""
    at = f" at {one_line(transition.point)}" if transition.point else ""
    if kind == "silent":
        return f"no readings{at}"
    if kind == "gauge_fault":
        return f"gauge fault{at}"
    if kind == "station":
        detail = one_line(transition.detail)
        return f"station fault{at}" + (f": {detail[:80]}" if detail else "")
    point = point_named(structure, transition.point)
    quantity = one_line(point.quantity) if point else "value"
    if transition.event in (Event.RETURNED, Event.RETURNED_LATCHED):
        return f"{quantity}{at}"
    if transition.event not in EXCURSIONS or transition.limit is None:
        return f"{quantity} limit alarm{at}"
    margin = " with its uncertainty" if transition.crossing.startswith("margin") else ""
    return f"{quantity}{margin} {side_of(transition, rule)} limit{at}"


def text_of(transition: Transition, structure: Structure, site: Site) -> str:
    """The whole notice as lines `KEY  words`, ending with the cautions."""
    rule = rule_named(structure, transition.rule)
    word = _event_words(transition)
    before, after = transition.before, transition.after
    lines = [
        ("WHAT", f"{word}{headline(transition, structure)}"),
        ("WHERE", place(structure, transition.point)),
        *_value_lines(transition, structure, rule),
        ("DETAIL", one_line(transition.detail)),
        *_time_lines(transition, site),
        ("STATE", f"{STATE_WORDS.get(after, after)} (before: {STATE_WORDS.get(before, before)})"),
        ("BY", one_line(transition.by)),
        ("COMMENT", one_line(transition.comment)),
        ("PRIORITY", transition.priority),
        *_rule_lines(transition, rule),
        (
            "ALARM",
            f"{one_line(transition.alarm)} of structure {structure.id}, site {one_line(site.name)}",
        ),
        *_acknowledge_lines(transition, structure, site),
        ("CAUTION", CAUTION_TEXT),
    ]
    return "\n".join(f"{key:<12}{words}" for key, words in lines if words) + "\n"


def side_of(transition: Transition, rule: Rule | None) -> str:
    """`above` or `below`: which limit of the rule `transition.limit` is."""
    limit, value = transition.limit, transition.value
    if rule is not None and rule.high != rule.low and limit in (rule.high, rule.low):
        return "above" if limit == rule.high else "below"
    if limit is not None and value is not None and value < limit:
        return "below"
    return "above"


def rule_named(structure: Structure, rule: str) -> Rule | None:
    """The rule with this id, or None."""
    return next((one for one in structure.rules if one.id == rule), None)


def _value_lines(
    transition: Transition, structure: Structure, rule: Rule | None
) -> list[tuple[str, str]]:
    value, limit, unit = transition.value, transition.limit, one_line(transition.unit)
    point = point_named(structure, transition.point)
    quantity = point.quantity if point else "value"
    watched = f"{point.watched} strain" if point and quantity == "strain" else one_line(quantity)
    has_value = value is not None and math.isfinite(value)
    lines = []
    if value is not None:
        words = f"{watched} {value_with_u(value, transition.u, unit)}{sense(value, quantity)}"
        interval = "; the interval holds the true value with 95 %" if "±" in words else ""
        lines.append(("VALUE", words + interval))
    if limit is None or not math.isfinite(limit):
        return lines
    side = side_of(transition, rule)
    kind = "high" if side == "above" else "low"
    lines.append(("LIMIT", f"{number(limit)} {unit} ({kind}){sense(limit, quantity)}".strip()))
    if transition.crossing and has_value:
        lines.append(("CROSSING", _crossing(transition, side, unit)))
    if rule is not None and rule.compare == "plain":
        lines.append(("COMPARED", f"without its uncertainty: {one_line(rule.compare_reason)}"))
    return lines


def _crossing(transition: Transition, side: str, unit: str) -> str:
    value, limit, u = transition.value or 0.0, transition.limit or 0.0, transition.u or 0.0
    decimals = decimals_of(transition.u)
    by = f"{number(abs(value - limit), decimals).lstrip('+')} {unit}".strip()
    if transition.crossing == "value":
        return f"the value itself is {side} the limit, by {by}."
    sign = "+" if side == "above" else "-"
    edge = value + 2 * u if side == "above" else value - 2 * u
    other = "below" if side == "above" else "above"
    words = (
        f"only the margin: the value is {by} {other} the limit, value {sign} 2u = "
        f"{number(edge, decimals)} {unit} is {side} it."
    )
    if transition.crossing == "margin_grew":
        words += (
            " It crossed because the uncertainty grew, not because the value moved: look at the "
            "gauge, its climate readings and its calibration as well as at the structure."
        )
    return words


def _time_lines(transition: Transition, site: Site) -> list[tuple[str, str]]:
    occurred, detected = transition.occurred_us, transition.detected_us
    delay = detected - occurred
    later = f", {span(delay)} later" if delay >= LATE_AFTER_US else ""
    lines = [
        ("OCCURRED", both_times(occurred, site.timezone)),
        ("DETECTED", both_times(detected, site.timezone) + later),
    ]
    if transition.by:
        # Of an act, `occurred_us` says since when there is something to act on.
        acted = ("DONE", both_times(detected, site.timezone))
        lines = [acted] if occurred == detected else [lines[0], acted]
    if transition.late:
        lines.append(
            ("LATE", "the readings came late; what they show may have changed since they were made")
        )
    if transition.retrospective:
        lines.append(
            (
                "AFTERWARDS",
                "found when stored readings were worked out again; nobody was told at the time, "
                "and what was told then still stands",
            )
        )
    return lines


def _rule_lines(transition: Transition, rule: Rule | None) -> list[tuple[str, str]]:
    if rule is None:
        words = f'"{one_line(transition.rule)}" is not in the configuration that runs now'
        return [("RULE", words + "; ask an engineer what to do")]
    return [
        ("RULE", one_line(rule.id)),
        ("CAUSE", one_line(rule.cause)),
        ("CONSEQUENCE", one_line(rule.consequence)),
        ("DO", one_line(rule.response)),
        ("WITHIN", f"{rule.respond_within_min:g} min"),
        ("BASIS", one_line(rule.basis)),
    ]


def _acknowledge_lines(
    transition: Transition, structure: Structure, site: Site
) -> list[tuple[str, str]]:
    if needs_acknowledgement(transition):
        return [("ACKNOWLEDGE", alarm_command("ack", transition.alarm, structure.id, site.folder))]
    if transition.after == State.LATCHED_ACKNOWLEDGED:
        return [("RESET", alarm_command("reset", transition.alarm, structure.id, site.folder))]
    return []


def _event_words(transition: Transition) -> str:
    return EVENT_WORDS.get(transition.event, f"{transition.event}: ")


def needs_acknowledgement(transition: Transition) -> bool:
    """Whether the alarm waits for a person after this transition."""
    return transition.after in UNACKNOWLEDGED


def alarm_command(verb: str, alarm: str, structure: str, folder: str) -> str:
    """The command on the station that does `verb`, to paste once name and comment are filled."""
    words = (verb, one_line(alarm), "--site", folder, "--structure", structure)
    return (
        f"spanwarden alarms {' '.join(map(shlex.quote, words))} "
        "--by YOUR-ID --comment 'WHAT YOU FOUND AND DID'"
    )
