"""
The gate: each outcome with its counter, its reason and its quarantined bytes.

Records are judged against the time of receipt that they carry; expected values are by hand.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from pipeline.ingest.gate import Intake, accept
from pipeline.store.spool import Record, RecordKind
from tests.ingest.encoders import cbor_pack, json_pack, readings_stream
from tests.ingest.sites import NORTH, NOW_US, PREFIX, SOUTH, message, mill_gate

GATE = mill_gate()
NOW = NOW_US // 1_000_000


def pack(*rows: tuple[str, float, float], **first: Any) -> bytes:
    """SenML JSON of rows (channel, seconds from the time of receipt, value)."""
    records: list[dict[str, Any]] = [
        {"n": name, "t": NOW + ahead, "v": value} for name, ahead, value in rows
    ]
    records[0] |= first
    return json_pack(records)


def rows_of(intake: Intake) -> list[tuple[str, int, float]]:
    """Accepted rows as (channel, µs from the time of receipt, value)."""
    codes, names = intake.readings.channel_codes()
    columns = (intake.readings.column("time"), intake.readings.column("value"))
    return [
        (names[code], int(time) - NOW_US, float(value))
        for code, time, value in zip(codes, *columns, strict=True)
    ]


def test_rows_are_accepted_when_all_is_well() -> None:
    """Channel, time, value, receipt and sequence of each row come through, in their order."""
    first = [
        {"n": "N-e1", "u": "/", "t": NOW - 2, "v": 0.001},
        {"n": "N-t1", "u": "Cel", "t": NOW - 1, "v": 21.5},
    ]
    second = pack(("S-a1", -3, 0.5), u="rad", seq_=8)
    records = [
        message(json_pack(first), sequence=7),
        message(second, topic=SOUTH, received_us=NOW_US + 5),
    ]
    intake = accept(records, GATE)

    assert rows_of(intake) == [
        ("N-e1", -2_000_000, 0.001),
        ("N-t1", -1_000_000, 21.5),
        ("S-a1", -3_000_000, 0.5),
    ]
    assert intake.readings.column("received").tolist() == [NOW_US, NOW_US, NOW_US + 5]
    assert intake.readings.column("sequence").tolist() == [7, 7, 8]
    assert intake.refusals == ()
    assert intake.counters == {"messages": 2, "readings": 3}
    assert intake.newest_us == NOW_US - 1_000_000


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("", "topic"),
        ("spanwarden", "topic"),
        ("other/mill/north/readings", "topic"),
        ("spanwarden/mill/north", "topic"),
        ("spanwarden/mill/readings", "topic"),
        ("spanwarden/readings", "topic"),
        ("spanwarden/mill/north/extra/readings", "topic"),
        ("spanwarden/mill/north/status", "topic"),
        ("spanwarden/dam/north/readings", "foreign_structure"),
        ("spanwarden/mill/west/readings", "unknown_node"),
        ("spanwarden/mill//readings", "unknown_node"),
    ],
)
def test_message_is_refused_whole_when_its_topic_is_not_ours(topic: str, reason: str) -> None:
    """Nothing of it is read; its bytes are kept with the reason."""
    record = message(pack(("N-e1", 0, 1.0)), topic=topic, position=42)
    intake = accept([record], GATE)
    (refusal,) = intake.refusals

    assert (refusal.reason, refusal.rows, refusal.position) == (reason, 0, 42)
    assert (refusal.payload, refusal.topic) == (record.payload, topic)
    assert intake.counters == {"messages": 1, "messages_refused": 1, reason: 1}
    assert (len(intake.readings), intake.newest_us) == (0, None)


def test_message_is_refused_whole_when_it_cannot_be_decoded() -> None:
    """The codec's reason is counted and kept; messages beside it are taken."""
    records = [message(b"[{", position=3), message(pack(("N-e1", 0, 1.0)), position=4)]
    intake = accept(records, GATE)

    assert [(r.reason, r.position, r.payload) for r in intake.refusals] == [("malformed", 3, b"[{")]
    assert intake.counters == {
        "messages": 2,
        "messages_refused": 1,
        "malformed": 1,
        "readings": 1,
        "unit_absent": 1,
    }


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (("X-9", 0, 1.0), "unknown_channel"),
        (("n-e1", 0, 1.0), "unknown_channel"),
        (("N-e1:", 0, 1.0), "unknown_channel"),
        (("S-a1", 0, 1.0), "wrong_node"),
        (("N-e1", 300.000001, 1.0), "future"),
        (("N-e1", -400 * 86400 - 0.00001, 1.0), "ancient"),
    ],
)
def test_row_is_refused_when_it_cannot_be_used(row: tuple[str, float, float], reason: str) -> None:
    """The row is counted by its reason, the message is kept once, the other row is taken."""
    intake = accept([message(pack(("N-t1", -1, 20.0), row))], GATE)
    (refusal,) = intake.refusals

    assert (refusal.reason, refusal.rows) == (reason, 1)
    assert row[0] in refusal.detail
    assert rows_of(intake) == [("N-t1", -1_000_000, 20.0)]
    assert intake.counters == {
        "messages": 1,
        "readings": 1,
        "readings_refused": 1,
        "unit_absent": 1,
        reason: 1,
    }


@pytest.mark.parametrize(("name", "ahead"), [("N-e1", 300), ("N-e1", -400 * 86400)])
def test_row_is_accepted_when_it_is_just_inside_the_times(name: str, ahead: float) -> None:
    """Exactly at the tolerance, and exactly as old as the site takes."""
    assert len(accept([message(pack((name, ahead, 1.0)))], GATE).readings) == 1


def test_newest_does_not_move_when_a_time_lies_ahead() -> None:
    """A future time stamp must not move the watermark."""
    intake = accept([message(pack(("N-e1", -5, 1.0), ("N-t1", 301, 1.0)))], GATE)

    assert intake.newest_us == NOW_US - 5_000_000


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None])
@pytest.mark.parametrize("form", ["cbor", "arrow"])
def test_row_is_refused_when_it_is_no_number(form: str, value: float | None) -> None:
    """NaN, infinity and null are refused row by row, in every form that can carry them."""
    if form == "cbor":
        payload = cbor_pack([{"n": "N-e1", "t": NOW, "v": 1}, {"n": "N-t1", "t": NOW, "v": value}])
    else:
        payload = readings_stream([(NOW_US, "N-e1", 1.0), (NOW_US, "N-t1", value)])
    intake = accept([message(payload)], GATE)

    assert rows_of(intake) == [("N-e1", 0, 1.0)]
    assert intake.counters["not_finite"] == intake.counters["readings_refused"] == 1


def test_row_is_refused_when_two_finite_parts_overflow() -> None:
    """Base value and value can add up to infinity, which is no number either."""
    intake = accept([message(pack(("N-e1", 0, 1e308), bv=1.7e308))], GATE)

    assert intake.counters["not_finite"] == 1


@pytest.mark.parametrize(
    ("channel", "unit", "version", "sent", "wanted"),
    [
        ("N-u1", "V", 10, 0.25, 0.25),
        ("N-u1", "mV", 26, 5.0, 0.005),
        ("N-e1", "ppm", 26, 500.0, 0.0005),
        ("N-t1", "K", 10, 293.15, 20.0),
        ("N-c1", "mm", 26, 0.3, 0.3),
        ("N-c1", "m", 10, 0.0003, 0.3),
    ],
)
def test_value_is_in_the_channels_unit_when_the_sent_one_converts(
    channel: str, unit: str, version: int, sent: float, wanted: float
) -> None:
    """Converted values are counted, those in the channel's own unit come through bit for bit."""
    row = {"bver": version, "n": channel, "u": unit, "t": NOW, "v": sent}
    intake = accept([message(json_pack([row]))], GATE)
    is_own = sent == wanted

    assert intake.readings.column("value")[0] == pytest.approx(wanted, rel=0 if is_own else 1e-13)
    assert intake.counters.get("unit_converted", 0) == (not is_own)


@pytest.mark.parametrize(
    ("channel", "unit", "version"),
    [
        ("N-u1", "mV", 10),
        ("N-u1", "Ohm", 10),
        ("N-e1", "mV", 26),
        ("N-e1", "%", 10),
        ("N-h1", "/", 10),
        ("N-t1", "F", 10),
        ("N-e1", "um/m", 26),
    ],
)
def test_row_is_refused_when_its_unit_is_not_safe(channel: str, unit: str, version: int) -> None:
    """Secondary units without the version's bit, other quantities, percent, unregistered ones."""
    row = {"bver": version, "n": channel, "u": unit, "t": NOW, "v": 1.0}
    intake = accept([message(json_pack([row]))], GATE)

    assert intake.counters["unit"] == 1
    assert f"1.0 {unit}" in intake.refusals[0].detail


def test_row_is_accepted_and_counted_when_it_has_no_unit() -> None:
    """Without a unit the channel's own is meant."""
    intake = accept([message(pack(("N-e1", 0, 0.5), ("N-t1", 0, 20.0)))], GATE)

    assert rows_of(intake) == [("N-e1", 0, 0.5), ("N-t1", 0, 20.0)]
    assert intake.counters["unit_absent"] == 2


def test_units_are_kept_apart_when_messages_of_a_batch_differ() -> None:
    """What one message may send does not let another send it, and no value leaks over."""
    row = {"n": "N-u1", "u": "mV", "t": NOW, "v": 5.0}
    records = [
        message(json_pack([row])),
        message(json_pack([{**row, "bver": 26}])),
        message(json_pack([{**row, "u": "V"}])),
        message(readings_stream([(NOW_US, "N-u1", 7.0)], "mV")),
    ]
    intake = accept(records, GATE)

    assert [value for _, _, value in rows_of(intake)] == [0.005, 5.0, 0.007]
    assert (intake.counters["unit"], intake.counters["unit_converted"]) == (1, 2)


def test_name_counts_behind_its_last_colon_when_it_has_a_prefix() -> None:
    """A SenML name may carry a device's prefix; the channel's id is its last part."""
    records = [message(pack(("N-e1", 0, 1.0), ("N-t1", 0, 2.0), bn="urn:dev:mac:0024be:"))]

    assert [name for name, _, _ in rows_of(accept(records, GATE))] == ["N-e1", "N-t1"]


def test_refusal_tells_all_reasons_when_rows_differ() -> None:
    """The message comes into quarantine once, with the commonest reason and all counts."""
    payload = pack(("X-1", 0, 1.0), ("X-2", 0, 2.0), ("N-e1", 900, 3.0), ("N-t1", 0, 4.0))
    intake = accept([message(payload)], GATE)
    (refusal,) = intake.refusals

    assert (refusal.reason, refusal.rows, refusal.payload) == ("unknown_channel", 3, payload)
    assert refusal.detail == (
        "unknown_channel: 2 of X-1, X-2 (first: value 1.0 no unit at 2025-11-24 14:00:00+00:00); "
        "future: 1 of N-e1 (first: value 3.0 no unit at 2025-11-24 14:15:00+00:00)"
    )


def test_sequence_of_mqtt_counts_when_the_payload_has_one_too() -> None:
    """The user property of the message goes before what the payload carries."""
    records = [
        message(pack(("N-e1", 0, 1.0), seq_=5), sequence=9),
        message(pack(("N-e1", 1, 1.0), seq_=6)),
        message(pack(("N-e1", 2, 1.0))),
    ]

    assert accept(records, GATE).readings.column("sequence").tolist() == [9, 6, -(2**63)]


def test_repeats_stay_when_a_message_comes_twice() -> None:
    """Repeats are for the seal to drop, not for the gate."""
    record = message(pack(("N-e1", 0, 1.0)))

    assert len(accept([record, record], GATE).readings) == 2


def test_other_records_are_passed_over_when_they_are_in_the_batch() -> None:
    """Ticks, commands and findings are not the gate's."""
    others = [
        Record(kind, NOW_US, b"{}", NORTH) for kind in RecordKind if kind is not RecordKind.MESSAGE
    ]

    assert accept(others, GATE) == accept([], GATE)
    assert accept([], GATE).counters == {}


@pytest.mark.parametrize("cut", [1, 3, 7])
def test_outcome_is_the_same_when_the_batch_is_cut(cut: int) -> None:
    """Rows, refusals and counts do not depend on how records are put into batches."""
    records = [
        message(pack(("N-e1", -step, step), ("N-t1", step * 60, 1.0)), position=step)
        for step in range(9)
    ]
    records[4] = message(b"\x00", position=4)
    records[6] = message(readings_stream([(NOW_US, "N-h1", 50.0), (NOW_US, "X", 1.0)]), position=6)
    whole = accept(records, GATE)
    parts = [accept(records[at : at + cut], GATE) for at in range(0, len(records), cut)]

    assert [row for part in parts for row in rows_of(part)] == rows_of(whole)
    assert tuple(refusal for part in parts for refusal in part.refusals) == whole.refusals
    for name, count in whole.counters.items():
        assert sum(part.counters.get(name, 0) for part in parts) == count


def test_records_are_unchanged_when_values_were_converted() -> None:
    """A converted Arrow column is a copy: the payload's own bytes stay as they came."""
    payload = readings_stream([(NOW_US, "N-u1", 5.0)], "mV")
    record = message(payload)
    before = bytes(payload)
    first, second = accept([record], GATE), accept([record], GATE)

    assert record.payload == before
    assert np.array_equal(first.readings.column("value"), second.readings.column("value"))
    assert rows_of(first) == [("N-u1", 0, 0.005)]


def test_topic_is_refused_with_the_expected_form_when_malformed() -> None:
    """The text shows what was found and what is expected."""
    (refusal,) = accept([message(b"", topic=f"{PREFIX}/mill")], GATE).refusals

    assert refusal.detail == (
        'topic "spanwarden/mill" is not of the form spanwarden/mill/<node>/readings'
    )
