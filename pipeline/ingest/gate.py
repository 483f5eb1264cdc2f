"""
The gate: spool records to one `Readings` block; what cannot be used is refused with its reason.

Pure and deterministic: future and ancient are judged against the time of receipt in the record,
so a replay decides the same. Repeats are not dropped here, the seal does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.blocks import TIME, Bools, Floats, Ints, Readings
from pipeline.errors import PayloadError
from pipeline.ingest.codecs import decode_into
from pipeline.ingest.columns import Codes, Decoded, Gathering
from pipeline.ingest.units import conversion, convert
from pipeline.site.models import Storage, Structure
from pipeline.store.ledger import Refusal
from pipeline.store.spool import Record, RecordKind

# A message is refused whole with one of these, or of `codecs.REASONS`; counted by messages.
TOPIC_REASONS = (
    "topic",  # not {prefix}/{structure}/{node}/readings
    "foreign_structure",
    "unknown_node",
)
# A row is refused with the first of these that holds; counted by readings.
ROW_REASONS = (
    "unknown_channel",
    "wrong_node",  # the channel belongs to another node
    "unit",  # neither the channel's own nor one that converts safely
    "not_finite",  # NaN, infinity or null
    "future",  # ahead of its receipt by more than the tolerance
    "ancient",  # older than the site takes
)
# Counted by readings that are accepted all the same.
REMARKS = ("unit_absent", "unit_converted")

_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Gate:
    """What the gate must know of a structure, compiled once by `compile_gate`."""

    prefix: str
    structure: str
    nodes: dict[str, int]
    topics: dict[str, int]
    """Node by the whole topic on which it publishes."""
    channels: dict[str, int]
    channel_node: Codes
    channel_unit: tuple[str, ...]
    channel_names: pa.Array
    future_us: int
    oldest_us: int


@dataclass(frozen=True)
class Intake:
    """
    What became of a batch of records.

    `counters` has `messages`, `readings` (accepted), `readings_refused`, `messages_refused`
    (whole), and one count for each reason and remark that occurred. `newest_us` is the newest
    accepted time [µs since 1970 UTC], None without one.
    """

    readings: Readings
    refusals: tuple[Refusal, ...]
    counters: dict[str, int]
    newest_us: int | None


def compile_gate(structure: Structure, storage: Storage, prefix: str) -> Gate:
    """The gate of one structure; `prefix` is the first part of all topics."""
    nodes = {node.id: number for number, node in enumerate(structure.nodes)}
    return Gate(
        prefix=prefix,
        structure=structure.id,
        nodes=nodes,
        topics={f"{prefix}/{structure.id}/{node}/readings": nodes[node] for node in nodes},
        channels={channel.id: number for number, channel in enumerate(structure.channels)},
        channel_node=np.array([nodes[c.node] for c in structure.channels], np.int32),
        channel_unit=tuple(channel.unit for channel in structure.channels),
        channel_names=pa.array([channel.id for channel in structure.channels], pa.string()),
        future_us=round(storage.future_tolerance_s * 1e6),
        oldest_us=round(storage.oldest_days * _DAY_US),
    )


def accept(records: Sequence[Record], gate: Gate) -> Intake:
    """
    The readings of all message records in their order; records of other kinds are passed over.

    A message with refused rows comes into `refusals` once, whole, with all its reasons; its other
    rows are accepted.
    """
    messages = [record for record in records if record.kind is RecordKind.MESSAGE]
    into = Gathering()
    nodes = np.full(len(messages), -1, np.int32)
    for number, record in enumerate(messages):
        node = gate.topics.get(record.topic)
        if node is None:
            into.errors[number] = _topic_error(record.topic, gate)
        else:
            nodes[number] = node
            decode_into(into, number, record.payload, record.content_type)
    decoded = into.finish()
    rows = _Rows.judge(decoded, messages, nodes, gate)
    readings = rows.accepted(messages, gate)
    refusals = _refusals(messages, decoded, rows)
    times = rows.time_us[rows.taken]
    return Intake(
        readings,
        refusals,
        _counters(messages, decoded, rows),
        int(times.max()) if len(times) else None,
    )


@dataclass(frozen=True)
class _Rows:
    """The rows of a batch with their verdicts, all of shape (n,)."""

    decoded: Decoded
    channel: Codes
    value: Floats
    reason: Codes
    """Index in ROW_REASONS, or -1."""
    remarks: dict[str, Bools]
    received: Ints

    @property
    def time_us(self) -> Ints:
        return self.decoded.time_us

    @property
    def taken(self) -> Bools:
        return np.asarray(self.reason < 0)

    @classmethod
    def judge(cls, decoded: Decoded, messages: Sequence[Record], nodes: Codes, gate: Gate) -> _Rows:
        received = np.array([record.received_us for record in messages], np.int64)
        at = received[decoded.message]
        channel = _channel_of(decoded.names, gate)[decoded.name_code]
        known = channel >= 0
        # The appended -1 serves rows without a channel, which index it as the last element.
        owner = np.append(gate.channel_node, np.int32(-1))[channel]
        value, fits, converted, absent = _in_channel_unit(decoded, channel, gate)
        ahead = decoded.time_us - at
        verdicts = (
            ~known,
            owner != nodes[decoded.message],
            ~fits,
            ~np.isfinite(value),
            ahead > gate.future_us,
            ahead < -gate.oldest_us,
        )
        reason = np.full(len(decoded), -1, np.int32)
        for number in reversed(range(len(verdicts))):
            reason[verdicts[number]] = number
        remarks = {"unit_absent": absent, "unit_converted": converted}
        return cls(decoded, channel, value, reason, remarks, at)

    def accepted(self, messages: Sequence[Record], gate: Gate) -> Readings:
        taken = self.taken
        every = bool(taken.all())
        message = self.decoded.message if every else self.decoded.message[taken]
        return Readings.from_columns(
            self.time_us if every else self.time_us[taken],
            pa.DictionaryArray.from_arrays(
                pa.array(self.channel if every else self.channel[taken]), gate.channel_names
            ),
            self.value if every else self.value[taken],
            self.received if every else self.received[taken],
            _sequences(messages, self.decoded, message),
        )


def _channel_of(names: list[str], gate: Gate) -> Codes:
    """Channel of each name: the id itself, or what stands behind the last colon; else -1."""
    channels = gate.channels
    return np.array(
        [channels.get(name, channels.get(name.rpartition(":")[2], -1)) for name in names],
        np.int32,
    )


def _in_channel_unit(
    decoded: Decoded, channel: Codes, gate: Gate
) -> tuple[Floats, Bools, Bools, Bools]:
    """Values in the channel's unit; whether the unit fits, was converted, was absent."""
    value = decoded.value
    fits = np.ones(len(decoded), bool)
    converted = np.zeros(len(decoded), bool)
    codes = {unit: code for code, unit in enumerate(decoded.units)}
    absent = decoded.unit_code == codes.get("", -1)
    own = np.array([codes.get(unit, -1) for unit in gate.channel_unit] + [-1], np.int32)
    other = np.flatnonzero((decoded.unit_code != own[channel]) & ~absent & (channel >= 0))
    if not len(other):
        return value, fits, converted, absent
    is_secondary = np.isin(decoded.message[other], list(decoded.secondary))
    kinds = np.stack([channel[other], decoded.unit_code[other], is_secondary])
    found, kind_of = np.unique(kinds, axis=1, return_inverse=True)
    value = value.copy()
    for kind, (number, unit, secondary) in enumerate(found.T):
        rows = other[kind_of.ravel() == kind]
        units = conversion(
            decoded.units[unit], gate.channel_unit[number], secondary=bool(secondary)
        )
        if units is None:
            fits[rows] = False
        else:
            value[rows] = convert(value[rows], units)
            converted[rows] = True
    return value, fits, converted, absent


def _sequences(messages: Sequence[Record], decoded: Decoded, message: Ints) -> pa.Array | None:
    """Row-wise sequence; the user property of MQTT goes before what the payload carries."""
    numbers = [
        record.sequence if record.sequence is not None else decoded.sequence.get(number)
        for number, record in enumerate(messages)
    ]
    if all(number is None for number in numbers):
        return None
    return pa.array(numbers, pa.int64()).take(pa.array(message))


def _topic_error(topic: str, gate: Gate) -> PayloadError:
    expected = f"{gate.prefix}/{gate.structure}/<node>/readings"
    shown = topic[:200]
    if not (topic.startswith(f"{gate.prefix}/") and topic.endswith("/readings")):
        return PayloadError("topic", f'topic "{shown}" is not of the form {expected}')
    parts = topic[len(gate.prefix) + 1 : -len("/readings")].split("/")
    if len(parts) != 2:
        return PayloadError("topic", f'topic "{shown}" is not of the form {expected}')
    if parts[0] != gate.structure:
        return PayloadError(
            "foreign_structure", f'topic "{shown}" is of another structure than {gate.structure}'
        )
    return PayloadError(
        "unknown_node",
        f'node "{parts[1][:80]}" is not configured for {gate.structure}. Add it to the site, or '
        "stop it from publishing here.",
    )


def _refusals(messages: Sequence[Record], decoded: Decoded, rows: _Rows) -> tuple[Refusal, ...]:
    found = [
        _refusal(messages[number], error.reason, error.detail, 0, number)
        for number, error in decoded.errors.items()
    ]
    refused = np.flatnonzero(rows.reason >= 0)
    if len(refused):
        for part in np.split(refused, np.flatnonzero(np.diff(decoded.message[refused])) + 1):
            number = int(decoded.message[part[0]])
            reason, detail = _row_story(rows, part)
            found.append(_refusal(messages[number], reason, detail, len(part), number))
    return tuple(refusal for _, refusal in sorted(found, key=lambda pair: pair[0]))


def _refusal(
    record: Record, reason: str, detail: str, rows: int, number: int
) -> tuple[int, Refusal]:
    return number, Refusal(
        position=record.position,
        received_us=record.received_us,
        topic=record.topic,
        reason=reason,
        detail=detail,
        rows=rows,
        payload=record.payload,
    )


def _row_story(rows: _Rows, part: Ints) -> tuple[str, str]:
    """The commonest reason of a message's refused rows, and all of them with counts and names."""
    reasons = Counter(ROW_REASONS[code] for code in rows.reason[part])
    told = []
    for reason, count in reasons.most_common():
        code = ROW_REASONS.index(reason)
        of_reason = part[rows.reason[part] == code]
        names = sorted({rows.decoded.names[n] for n in rows.decoded.name_code[of_reason]})
        shown = ", ".join(name[:60] for name in names[:5]) + (", …" if len(names) > 5 else "")
        first = int(of_reason[0])
        unit = rows.decoded.units[int(rows.decoded.unit_code[first])] or "no unit"
        told.append(
            f"{reason}: {count} of {shown} (first: value {float(rows.decoded.value[first])!r} "
            f"{unit[:20]} at {_written(int(rows.time_us[first]))})"
        )
    return reasons.most_common(1)[0][0], "; ".join(told)


def _written(time_us: int) -> str:
    return str(pa.scalar(time_us, pa.int64()).cast(TIME))


def _counters(messages: Sequence[Record], decoded: Decoded, rows: _Rows) -> dict[str, int]:
    taken = rows.taken
    counts = Counter(error.reason for error in decoded.errors.values())
    for number, count in enumerate(np.bincount(rows.reason[~taken], minlength=len(ROW_REASONS))):
        counts[ROW_REASONS[number]] += int(count)
    for remark, mask in rows.remarks.items():
        counts[remark] += int(np.count_nonzero(mask & taken))
    counts["messages"] = len(messages)
    counts["messages_refused"] = len(decoded.errors)
    counts["readings"] = int(np.count_nonzero(taken))
    counts["readings_refused"] = len(taken) - counts["readings"]
    return {name: count for name, count in counts.items() if count}
