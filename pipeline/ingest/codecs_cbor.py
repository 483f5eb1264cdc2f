"""
SenML CBOR (RFC 8428, section 6): one array of maps with numbered labels, nothing after it.

Common packs are taken column by column; all others go through the resolver of SenML.
"""

from __future__ import annotations

import io
import math
from typing import Any

import cbor2

from pipeline.errors import PayloadError
from pipeline.ingest.codecs_senml import CBOR_LABELS, PlainRows, resolve, too_many
from pipeline.ingest.columns import LIBRARY_FAULTS, MAX_ROWS, Gathering

SELF_DESCRIBED = b"\xd9\xd9\xf7"
"""Tag that may stand before any CBOR (RFC 8949, 3.4.6)."""

_TEXT_LABELS = frozenset(CBOR_LABELS.values())
_NUMBERS = {int, float}
_N, _U, _V, _T = 0, 1, 2, 6


def decode_cbor(payload: bytes, into: Gathering, message: int) -> None:
    """
    Add the rows of a SenML CBOR pack to `into`; the sequence is the text label `seq_`.

    Raises:
        PayloadError: the pack is refused whole; see `pipeline.ingest.codecs` for the reasons.
    """
    pack = _loads(payload)
    if not isinstance(pack, list):
        raise PayloadError("malformed", "a SenML pack is an array of records")
    if len(pack) > MAX_ROWS:
        raise too_many(len(pack))
    after = _plain_rows(pack[1:]) if len(pack) > 1 else None
    records = pack if after is None else pack[:1]
    resolve([_with_labels(record) for record in records], into, message, after)


def _loads(payload: bytes) -> Any:
    try:
        decoder = cbor2.CBORDecoder(io.BytesIO(payload.removeprefix(SELF_DESCRIBED)))
        pack = decoder.decode()
    except (cbor2.CBORError, *LIBRARY_FAULTS) as error:
        raise PayloadError("malformed", f"not CBOR: {error}") from error
    try:
        decoder.read(1)
    except (cbor2.CBORError, EOFError):
        return pack
    raise PayloadError("malformed", "bytes follow after the pack; send one pack a message")


def _plain_rows(records: list[Any]) -> PlainRows | None:
    """Columns of records with nothing but n, u, v and t in the right types; None: others."""
    if set(map(type, records)) != {dict}:
        return None
    values = [record.get(_V) for record in records]
    seconds = [record.get(_T, 0.0) for record in records]
    names = [record.get(_N, "") for record in records]
    units = [record.get(_U, "") for record in records]
    if not (set(map(type, values)) <= _NUMBERS and set(map(type, seconds)) <= _NUMBERS):
        return None
    if set(map(type, names)) != {str} or set(map(type, units)) != {str}:
        return None
    present = sum((_T in record) + (_N in record) + (_U in record) + 1 for record in records)
    if sum(map(len, records)) != present:
        return None  # another label stands somewhere
    try:
        floats, times = list(map(float, values)), list(map(float, seconds))
    except OverflowError:
        return None
    return PlainRows(times, floats, names, units) if math.isfinite(sum(times)) else None


def _with_labels(record: Any) -> Any:
    """The record with text labels; unknown numbers are dropped, as the RFC says."""
    if not isinstance(record, dict):
        return record
    named: dict[str, Any] = {}
    for label, value in record.items():
        if type(label) is int:
            if label in CBOR_LABELS:
                named[CBOR_LABELS[label]] = value
        elif isinstance(label, str):
            if label in _TEXT_LABELS:
                raise PayloadError(
                    "malformed", f'label "{label}" as text; CBOR uses its number (RFC 8428, 6)'
                )
            named[label] = value
    return named
