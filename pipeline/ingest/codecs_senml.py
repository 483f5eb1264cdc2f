"""
SenML (RFC 8428) in JSON and CBOR: resolution of the base fields, our profile of it.

Common packs take a typed path; whatever that refuses is resolved again label by label, which
alone decides and words the refusal. Both give the same columns.

Ref: RFC 8428, sections 4 to 6 and table 4; RFC 9100 (version as a bitmap); RFC 8798.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import msgspec

from pipeline.errors import PayloadError
from pipeline.ingest.columns import LIBRARY_FAULTS, MAX_ROWS, Gathering

SEQUENCE_LABEL = "seq_"
RFC_8428_VERSION = 10
SECONDARY_UNITS_VERSION = 26  # RFC 9100: 10 + 2**4, units of RFC 8798 allowed

CBOR_LABELS = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
_NOT_NUMBERS = ("vs", "vb", "vd")
_UNSET = msgspec.UNSET


class First(msgspec.Struct, forbid_unknown_fields=True, gc=False, rename={"seq": "seq_"}):
    """First record of a common pack: base fields and one number; null is left to the resolver."""

    bn: str = ""
    bt: float = 0.0
    bu: str = ""
    bv: float = 0.0
    bver: int = RFC_8428_VERSION
    n: str = ""
    u: str = ""
    t: float = 0.0
    v: float | msgspec.UnsetType = _UNSET
    seq: int | msgspec.UnsetType = _UNSET


class Further(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """Later record of a common pack: one number."""

    v: float
    n: str = ""
    u: str = ""
    t: float = 0.0


_FIRST = msgspec.json.Decoder(First)
_FURTHER = msgspec.json.Decoder(list[Further])
_ANY = msgspec.json.Decoder()


def decode_json(payload: bytes, into: Gathering, message: int) -> None:
    """
    Add the rows of a SenML JSON pack to `into`; of a label given twice the last one counts.

    Raises:
        PayloadError: the pack is refused whole; see `pipeline.ingest.codecs` for the reasons.
    """
    cut = payload.find(b"}") + 1
    if payload[:1] == b"[" and cut:
        try:
            first = _FIRST.decode(payload[1:cut])
            tail = payload[cut:].strip()
            further = _FURTHER.decode(b"[" + tail[1:]) if tail[:1] == b"," else []
        except LIBRARY_FAULTS:
            pass  # the resolver finds out what it is, or takes it
        else:
            if (further or tail == b"]") and _add_common(first, further, into, message):
                return
    try:
        pack = _ANY.decode(payload)
    except LIBRARY_FAULTS as error:
        raise PayloadError("malformed", f"not JSON: {error}") from error
    resolve(pack, into, message)


@dataclass(frozen=True)
class PlainRows:
    """Records without base fields as columns: seconds, finite or NaN values, names, units."""

    seconds: list[float]
    values: list[float]
    names: list[str]
    units: list[str]


def resolve(pack: Any, into: Gathering, message: int, after: PlainRows | None = None) -> None:
    """
    Add the rows of a pack of mappings from text labels; the full rules, one record at a time.

    Args:
        pack: what a decoder made of the payload, hostile until proved otherwise.
        into: where the rows go.
        message: position in the batch.
        after: records that follow those of `pack` under the base fields as they then stand.

    Raises:
        PayloadError: the pack is refused whole, and nothing of it is added.
    """
    if not isinstance(pack, list):
        raise PayloadError("malformed", "a SenML pack is an array of records")
    if not pack:
        raise PayloadError("no_records", "the pack has no records; leave such a message out")
    if len(pack) > MAX_ROWS:
        raise too_many(len(pack))
    resolver = _Resolver()
    for record in pack:
        resolver.take(record)
    for (base_time, base_value), rows in resolver.runs:
        if rows:
            seconds, values, names, units = (list(column) for column in zip(*rows, strict=True))
            into.add_run(message, (base_time, base_value), seconds, values, names, units)
    if after is not None:
        into.add_run(
            message,
            (resolver.time, resolver.value),
            after.seconds,
            after.values,
            [resolver.name + name for name in after.names],
            [unit or resolver.unit for unit in after.units],
        )
    if resolver.sequence is not None:
        into.sequence[message] = resolver.sequence
    if resolver.version == SECONDARY_UNITS_VERSION:
        into.secondary.add(message)


def too_many(rows: int) -> PayloadError:
    """The refusal of a message with more rows than one message may have."""
    return PayloadError(
        "too_many", f"{rows} readings in one message; at most {MAX_ROWS}. Send smaller messages."
    )


def _add_common(first: First, further: list[Further], into: Gathering, message: int) -> bool:
    """Add a pack whose base fields stand in its first record only; False: not such a pack."""
    value, sequence, version = first.v, first.seq, first.bver
    if value is _UNSET or not (0 < version <= RFC_8428_VERSION or version == 26):
        return False
    if sequence is not _UNSET and not 0 <= sequence < 2**63:
        return False
    if len(further) >= MAX_ROWS:
        return False
    base, name, unit = (first.bt, first.bv), first.bn, first.bu
    row = (first.t, value, name + first.n, first.u or unit)
    into.add_row(message, base, row)
    if further:
        into.add_run(
            message,
            base,
            [record.t for record in further],
            [record.v for record in further],
            [name + record.n for record in further],
            [record.u or unit for record in further],
        )
    if sequence is not _UNSET:
        into.sequence[message] = sequence
    if version == SECONDARY_UNITS_VERSION:
        into.secondary.add(message)
    return True


class _Resolver:
    """The base fields as they stand, and the rows so far, in runs of one base."""

    def __init__(self) -> None:
        self.name, self.unit = "", ""
        self.time, self.value = 0.0, 0.0
        self.has_base_value = False
        self.version: int | None = None
        self.sequence: int | None = None
        self.runs: list[tuple[tuple[float, float], list[tuple[float, float, str, str]]]] = []

    def take(self, record: Any) -> None:
        """Read one record."""
        if not isinstance(record, dict):
            raise PayloadError("malformed", "a SenML record is a map of labels")
        self._check_labels(record)
        self._take_bases(record)
        value = self._number_of(record)
        if value is not None:
            row = (
                _number(record, "t", 0.0),
                value,
                self.name + _text(record, "n"),
                _text(record, "u") or self.unit,
            )
            self.runs[-1][1].append(row)

    def _check_labels(self, record: dict[Any, Any]) -> None:
        is_first = self.version is None
        for label in record:
            if isinstance(label, str) and label.endswith("_"):
                if label != SEQUENCE_LABEL:
                    raise PayloadError(
                        "unknown_label",
                        f'label "{label[:40]}" ends with "_", so it must be understood, and it is '
                        "not (RFC 8428, 4.4). Leave it out.",
                    )
                if not is_first:
                    raise PayloadError(
                        "sequence", f'"{SEQUENCE_LABEL}" stands in the first record only'
                    )
        if is_first and SEQUENCE_LABEL in record:
            self.sequence = _whole(record, SEQUENCE_LABEL, "sequence")
        version = _whole(record, "bver", "version") if "bver" in record else self.version
        self._take_version(RFC_8428_VERSION if version is None else version)

    def _take_version(self, version: int) -> None:
        if not (0 < version <= RFC_8428_VERSION or version == SECONDARY_UNITS_VERSION):
            raise PayloadError(
                "version", f"SenML version {version}; 10 is understood, and 26 (secondary units)"
            )
        if self.version not in (None, version):
            raise PayloadError("version", "records of one pack have different versions")
        self.version = version

    def _take_bases(self, record: dict[Any, Any]) -> None:
        if "bn" in record:
            self.name = _text(record, "bn")
        if "bu" in record:
            self.unit = _text(record, "bu")
        if "bt" in record:
            self.time = _number(record, "bt", 0.0)
        if "bv" in record:
            self.value, self.has_base_value = _number(record, "bv", 0.0), True
        base = (self.time, self.value)
        if not self.runs or self.runs[-1][0] != base:
            self.runs.append((base, []))

    def _number_of(self, record: dict[Any, Any]) -> float | None:
        for label in _NOT_NUMBERS:
            if label in record:
                raise PayloadError(
                    "non_numeric", f'a record has "{label}"; only numbers ("v") are taken'
                )
        if "v" in record:
            return math.nan if record["v"] is None else _number(record, "v", 0.0, finite=False)
        if "s" in record:
            raise PayloadError("non_numeric", 'a record has a sum ("s") and no value ("v")')
        if self.has_base_value:
            return 0.0
        if SEQUENCE_LABEL in record:
            return None
        raise PayloadError("no_value", 'a record has neither "v" nor a base value')


def _number(record: dict[Any, Any], label: str, absent: float, *, finite: bool = True) -> float:
    value = record.get(label, absent)
    if type(value) not in (int, float):
        raise PayloadError("malformed", f'"{label}" is {type(value).__name__}, not a number')
    try:
        number = float(value)
    except OverflowError as error:
        raise PayloadError("malformed", f'"{label}" is beyond the range of a double') from error
    if finite and not math.isfinite(number):
        raise PayloadError("malformed", f'"{label}" is {number}; it must be finite')
    return number


def _text(record: dict[Any, Any], label: str) -> str:
    value = record.get(label, "")
    if not isinstance(value, str):
        raise PayloadError("malformed", f'"{label}" is {type(value).__name__}, not text')
    return value


def _whole(record: dict[Any, Any], label: str, reason: str) -> int:
    value = record[label]
    if type(value) is float and value.is_integer():
        value = int(value)
    if type(value) is not int or not 0 <= value < 2**63:
        raise PayloadError(reason, f'"{label}" must be a whole number from 0 to 2**63 - 1')
    return value
