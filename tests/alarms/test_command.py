"""What people may do to an alarm, what they are told, and what stays in the journal."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.alarms.command import MAX_SHELVE_US
from pipeline.alarms.engine import Command
from tests.alarms.examples import Bench, Row, at_us, rule, rule_set, seconds, story

UP: list[Row] = [(0, 1100.0, 1.0)]
DOWN: list[Row] = [(5, 500.0, 1.0)]


def bench(**changes: Any) -> Bench:
    """A bench whose alarm has just been raised."""
    made = Bench(rule_set(rule(**changes)))
    made.rows(UP)
    return made


def test_acknowledging_puts_the_person_into_the_journal() -> None:
    """The transition carries who and what they wrote."""
    desk = bench()

    assert desk.act("ack", 60, comment="lane closed")
    told = desk.told[-1]
    assert (told.event, told.before, told.after) == (
        "acknowledged",
        "unacknowledged",
        "acknowledged",
    )
    assert (told.by, told.comment, story([told])) == (
        "mara",
        "lane closed",
        [("acknowledged", 0.0)],
    )
    assert seconds(told.detected_us) == 60.0
    assert desk.reply == 'Alarm "high.g1" is now acknowledged.'


def refused(desk: Bench, expected: str, kind: str, **details: object) -> None:
    """The command is refused with these words and changes no alarm."""
    before = desk.state.alarms
    count = len(desk.told)

    assert not desk.act(kind, 10, **details)  # type: ignore[arg-type]  # passed on as they are
    assert expected in desk.reply
    assert desk.state.alarms == before
    assert len(desk.told) == count


def test_acknowledging_a_normal_alarm_is_refused_with_the_reason() -> None:
    """The reply names the alarm, its state and what could be done."""
    desk = Bench(rule_set(rule()))

    refused(desk, 'Refused: ack of alarm "high.g1", which is normal. Only an alarm that', "ack")


@pytest.mark.parametrize(
    ("kind", "details", "expected"),
    [
        ("ack", {"by": " "}, "ack without a name; say who does it"),
        ("ack", {"alarm": "high.g9"}, 'there is no alarm "high.g9"; expected an id'),
        ("erase", {}, 'there is no command "erase"; expected one of ack, reset'),
        ("reset", {}, "Only a latched alarm can be reset"),
        ("shelve", {"until_s": 20.0, "comment": ""}, "shelve without a reason; say why"),
        ("shelve", {}, "shelving needs an end in the future"),
        ("shelve", {"until_s": 10.0}, "shelving needs an end in the future"),
        ("shelve", {"until_s": 11.0 + MAX_SHELVE_US / 1e6}, "more than 7 days; shorten it"),
        ("unshelve", {}, "Only a shelved alarm can be unshelved"),
        ("release", {}, "Only a suppressed alarm can be released"),
        ("return_to_service", {}, "Only an alarm that is out of service can be returned"),
        ("out_of_service", {"comment": ""}, "out_of_service without a reason"),
        ("suppress", {"comment": ""}, "suppress without a reason"),
    ],
)
def test_what_makes_no_sense_is_refused(
    kind: str, details: dict[str, object], expected: str
) -> None:
    """Every refusal says why and what to do, and changes nothing."""
    refused(bench(), expected, kind, **details)


def test_out_of_service_can_be_neither_shelved_nor_suppressed() -> None:
    """Only `return_to_service` leads out of it."""
    desk = bench()
    desk.act("out_of_service", 1)

    refused(desk, "Have it returned to service first", "shelve", until_s=100.0)
    refused(desk, "or returned to service, first", "suppress")
    refused(desk, "There is nothing to do", "out_of_service")


@pytest.mark.parametrize(
    ("aside", "back", "prefix"),
    [
        ("shelve", "unshelve", "unshelved"),
        ("suppress", "release", "released"),
        ("out_of_service", "return_to_service", "in_service"),
    ],
)
def test_evaluation_goes_on_while_put_aside(aside: str, back: str, prefix: str) -> None:
    """What happens meanwhile is journalled as such, and what is still there is raised after."""
    desk = Bench(rule_set(rule()))
    desk.act(aside, 0, until_s=1000.0)
    name = desk.standing()
    desk.rows([(1, 1100.0, 1.0), (2, 500.0, 1.0), (3, 1200.0, 1.0)])
    desk.restart()

    assert [(t.event, t.before, t.after) for t in desk.told[1:]] == [
        ("occurred", name, name),
        ("returned", name, name),
        ("occurred", name, name),
    ]
    assert desk.act(back, 10)
    told = desk.told[-1]
    assert (told.event, told.after, told.value) == (f"{prefix}_alarm", "unacknowledged", 1200.0)
    assert story([told])[0][1] == 3.0


def test_what_is_over_is_normal_after_unshelving() -> None:
    """Without its condition the alarm comes back normal."""
    desk = bench()
    desk.act("shelve", 1, until_s=100.0)
    desk.rows(DOWN)

    assert desk.act("unshelve", 10)
    assert desk.standing() == "normal"
    assert desk.state.alarms["high.g1"].shelved_until_us is None


def test_shelving_is_no_way_round_a_reset() -> None:
    """A latching alarm that returned while shelved must still be acknowledged and reset."""
    desk = bench(latching=True)
    desk.act("shelve", 1, until_s=100.0)
    desk.rows(DOWN)
    desk.act("unshelve", 10)

    assert desk.standing() == "latched_unacknowledged"
    assert desk.act("ack", 11)
    assert desk.act("reset", 12)
    desk.act("shelve", 13, until_s=100.0)
    desk.act("unshelve", 14)
    assert desk.standing() == "normal"


def test_shelving_again_moves_its_end() -> None:
    """The later of two commands counts."""
    desk = bench()
    desk.act("shelve", 1, until_s=100.0)
    desk.act("shelve", 2, until_s=200.0)

    assert desk.tick(150) == []
    assert len(desk.tick(200)) == 1
    assert desk.state.alarms["high.g1"].shelved_until_us is None


def test_command_goes_through_facts() -> None:
    """A journalled command is the command that was given."""
    command = Command("shelve", "high.g1", "mara", "repainting", at_us(100))

    assert Command.from_facts(command.to_facts()) == command


@pytest.mark.parametrize(("kind", "latching"), [("ack", False), ("shelve", False), ("ack", True)])
def test_act_on_what_stands_goes_on_saying_what_it_is(kind: str, latching: bool) -> None:
    """Value, limit, crossing and since when are those of the raise, also of a latch."""
    desk = bench(latching=latching)
    if latching:
        desk.rows(DOWN)
    desk.restart()

    assert desk.act(kind, 60, until_s=1000.0)
    told = desk.told[-1]
    assert (told.value, told.u, told.limit, told.unit) == (1100.0, 1.0, 1000.0, "µm/m")
    assert (told.crossing, story([told])[0][1]) == ("value", 0.0)


def test_act_on_an_alarm_that_is_normal_again_repeats_nothing_old() -> None:
    """Shelving a normal alarm says nothing of the excursion before."""
    desk = bench()
    desk.act("ack", 1)
    desk.rows(DOWN)

    assert desk.act("shelve", 60, until_s=1000.0)
    assert desk.act("shelve", 61, until_s=2000.0)
    for told in desk.told[-2:]:
        assert (told.value, told.limit, told.occurred_us) == (None, None, told.detected_us)


def test_acknowledged_station_fault_goes_on_saying_what_is_wrong() -> None:
    """What has no value has its detail."""
    desk = Bench(rule_set(rule("station", "station")))
    desk.tick(0, disk="300 MB free")
    desk.act("ack", 60, alarm="station.disk")

    assert desk.told[-1].detail == "300 MB free"
