"""
Payload bytes to columns: SenML JSON, SenML CBOR, Arrow IPC; the profile that we take.

**Recognised** from the MQTT 5 content type (`application/senml+json`, `application/senml+cbor`,
`application/vnd.apache.arrow.stream`), else from the first bytes.

**SenML**: base fields are resolved as RFC 8428 says; base value and value, base time and time
are added. Each of base time and time goes to the nearest microsecond, then they are added as
whole numbers, so that any way to split whole microseconds gives the same time. Times below 2**28 s
count from now and are refused. A label that is not known is ignored, unless it ends in `_`. Of a
JSON label given twice the last counts. Versions up to 10, and 26 (RFC 9100: with the secondary
units of RFC 8798). Only numbers are taken; `s`, `bs` and `ut` beside them are ignored. JSON has
no NaN; in CBOR and Arrow NaN, infinity and null are refused row by row by the gate.

**Sequence** of a node's messages, whole and from 0: the MQTT 5 user property `sequence`; or the
label `seq_` (text also in CBOR) in the first record, which then needs no value of its own; or the
Arrow schema's metadata key `seq_`.

**Arrow**: `time` (timestamp, any unit, zone UTC; nanoseconds go to the nearest microsecond),
`channel` (text or dictionary), `value` (any number), perhaps `unit`; no other column.

A message is refused whole, with one of `REASONS`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipeline.errors import PayloadError
from pipeline.ingest.codecs_arrow import decode_arrow
from pipeline.ingest.codecs_cbor import SELF_DESCRIBED, decode_cbor
from pipeline.ingest.codecs_senml import decode_json
from pipeline.ingest.columns import MAX_PAYLOAD_BYTES, Decoded, Gathering

SENML_JSON = "application/senml+json"
SENML_CBOR = "application/senml+cbor"
ARROW_STREAM = "application/vnd.apache.arrow.stream"
CUT_PAYLOAD = "application/x-spanwarden-cut"
"""Content type that the client gives to what it kept of a message too large for the spool."""

REASONS = (
    "oversize",  # more bytes than a message may have, or once decompressed
    "too_many",  # more readings than a message may have
    "unrecognised",  # neither the content type nor the first bytes are known
    "malformed",  # bytes or types that the format does not allow
    "no_records",  # a message without a reading
    "unknown_label",  # a label ending in "_" that must be understood and is not
    "version",  # a SenML version that is not understood
    "relative_time",  # a time that counts from now
    "time_range",  # beyond the year 9999
    "non_numeric",  # text, boolean, bytes or only a sum
    "no_value",  # a record without a value
    "no_name",  # a record without a name
    "sequence",  # a sequence that is not a whole number, or not in the first record
)

Codec = Callable[[bytes, Gathering, int], None]
_BY_TYPE: dict[str, Codec] = {
    SENML_JSON: decode_json,
    SENML_CBOR: decode_cbor,
    ARROW_STREAM: decode_arrow,
}
_ARROW_START = b"\xff\xff\xff\xff"
_CBOR_ARRAYS = (*range(0x80, 0x9C), 0x9F)


def decode(payload: bytes, content_type: str = "") -> Decoded:
    """
    The columns of one message.

    Raises:
        PayloadError: the message is refused, with a reason of `REASONS`; nothing else is raised,
            whatever the bytes are.
    """
    decoded = decode_batch([payload], [content_type])
    if decoded.errors:
        raise decoded.errors[0]
    return decoded


def decode_batch(payloads: Sequence[bytes], content_types: Sequence[str]) -> Decoded:
    """The columns of many messages as one; those refused are in `errors` by their position."""
    into = Gathering()
    for message, (payload, content_type) in enumerate(zip(payloads, content_types, strict=True)):
        decode_into(into, message, payload, content_type)
    return into.finish()


def decode_into(into: Gathering, message: int, payload: bytes, content_type: str) -> None:
    """Add the rows of one message, or its error, to `into`; never raises for bad bytes."""
    try:
        if len(payload) > MAX_PAYLOAD_BYTES or content_type == CUT_PAYLOAD:
            raise _oversize(payload, content_type)
        codec = _BY_TYPE.get(content_type) or _codec(payload, content_type)
        codec(payload, into, message)
    except PayloadError as error:
        into.errors[message] = error


def _codec(payload: bytes, content_type: str) -> Codec:
    named = _BY_TYPE.get(content_type.partition(";")[0].strip().lower())
    if named is not None:
        return named
    if payload[:4] == _ARROW_START:
        return decode_arrow
    if payload[:1] == b"[" or payload.lstrip()[:1] == b"[":
        return decode_json
    if payload[:3] == SELF_DESCRIBED or (payload and payload[0] in _CBOR_ARRAYS):
        return decode_cbor
    raise PayloadError(
        "unrecognised",
        f"content type {content_type[:60]!r} and first bytes {payload[:8].hex() or 'none'} are "
        "those of no payload that is known. Send SenML JSON, SenML CBOR or an Arrow stream.",
    )


def _oversize(payload: bytes, content_type: str) -> PayloadError:
    if content_type == CUT_PAYLOAD:
        first_line = payload.partition(b"\n")[0][:200].decode("ascii", "replace")
        return PayloadError("oversize", f"only the first bytes were kept: {first_line}")
    return PayloadError(
        "oversize",
        f"{len(payload)} bytes; a message may have {MAX_PAYLOAD_BYTES}. Send smaller messages.",
    )
