"""
Hostile bytes: whatever comes, a codec decodes it or raises PayloadError with a stated reason.

And the two ways through SenML (typed and label by label) must give the same columns.
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import PayloadError
from pipeline.ingest.codecs import ARROW_STREAM, REASONS, SENML_CBOR, SENML_JSON, decode
from pipeline.ingest.codecs_senml import resolve
from pipeline.ingest.columns import Gathering
from tests.ingest.encoders import cbor_pack, json_pack, readings_stream

TYPES = st.sampled_from(["", SENML_JSON, SENML_CBOR, ARROW_STREAM, "x/y"])
BUSY = [HealthCheck.too_slow]  # the machine may be busy with other tests
T0 = 1_763_992_800
PACK = [
    {"bn": "n:", "bt": T0, "bu": "Cel", "bver": 10, "seq_": 3, "n": "a", "v": 1.5},
    *({"n": f"c{step}", "t": step / 10, "v": step * 0.3} for step in range(12)),
]
ROWS = [(T0 * 1_000_000 + step, f"c{step % 3}", step * 0.3) for step in range(20)]
SEEDS = [
    json_pack(PACK),
    cbor_pack(PACK),
    readings_stream(ROWS, "mV"),
    readings_stream(ROWS, compression="zstd", batch_rows=7),
    readings_stream(ROWS, compression="lz4", sequence=1),
]


def outcome(payload: bytes, content_type: str) -> str:
    """The reason of a refusal, or `rows`; anything else than PayloadError fails the test."""
    try:
        decoded = decode(payload, content_type)
    except PayloadError as error:
        return error.reason
    columns = (decoded.time_us, decoded.value, decoded.name_code, decoded.unit_code)
    assert len({len(column) for column in columns}) == 1
    return "rows"


@given(payload=st.binary(max_size=300), content_type=TYPES)
@settings(max_examples=400, deadline=None, derandomize=True, suppress_health_check=BUSY)
def test_arbitrary_bytes_have_an_outcome_when_decoded(payload: bytes, content_type: str) -> None:
    """Arbitrary bytes under any content type are decoded or refused with a stated reason."""
    assert outcome(payload, content_type) in {"rows", *REASONS}


@pytest.mark.slow
@given(
    seed=st.sampled_from(SEEDS),
    content_type=TYPES,
    edits=st.lists(
        st.tuples(st.integers(0, 5000), st.integers(0, 12), st.binary(max_size=8)),
        min_size=1,
        max_size=6,
    ),
)
@settings(max_examples=1500, deadline=None, derandomize=True, suppress_health_check=BUSY)
def test_damaged_payloads_have_an_outcome_when_decoded(
    seed: bytes, content_type: str, edits: list[tuple[int, int, bytes]]
) -> None:
    """Sound payloads with bytes cut out, put in or replaced are decoded or refused."""
    payload = bytearray(seed)
    for place, removed, added in edits:
        at = place % (len(payload) + 1)
        payload[at : at + removed] = added

    assert outcome(bytes(payload), content_type) in {"rows", *REASONS}


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)
LABELS = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "s", "t", "seq_", "x", "x_"]
)
STRANGE = st.lists(st.dictionaries(LABELS, ANY_JSON, max_size=6) | ANY_JSON, max_size=4)


@pytest.mark.slow
@given(pack=STRANGE)
@settings(max_examples=600, deadline=None, derandomize=True, suppress_health_check=BUSY)
def test_strange_packs_have_an_outcome_when_well_formed(pack: Any) -> None:
    """Well-formed JSON and CBOR of the wrong shape or types is decoded or refused."""
    assert outcome(json.dumps(pack).encode(), SENML_JSON) in {"rows", *REASONS}
    assert outcome(cbor_pack_of(pack), SENML_CBOR) in {"rows", *REASONS}


def cbor_pack_of(pack: Any) -> bytes:
    """CBOR of anything, with numbered labels where a record is a map."""
    import cbor2

    from tests.ingest.encoders import LABEL_NUMBERS

    records = [
        {LABEL_NUMBERS.get(key, key): value for key, value in record.items()}
        if isinstance(record, dict)
        else record
        for record in pack
    ]
    return cbor2.dumps(records)


NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=32) | st.integers(-1000, 1000)
BASES = st.fixed_dictionaries(
    {"bt": st.sampled_from([T0, T0 + 0.25, float(T0)]), "n": st.sampled_from(["a", "b"])},
    optional={
        "bn": st.sampled_from(["", "x:", "}{"]),
        "bu": st.sampled_from(["V", "Cel"]),
        "bv": NUMBERS,
        "bver": st.sampled_from([5, 10, 26]),
        "seq_": st.integers(0, 2**63 - 1),
    },
)
RECORDS = st.fixed_dictionaries(
    {"n": st.sampled_from(["a", "b", "°"]), "v": NUMBERS},
    optional={
        "t": st.integers(-9, 9) | st.sampled_from([0.1, 0.000001, 2.5]),
        "u": st.sampled_from(["", "K"]),
        "bt": st.sampled_from([T0 + 60]),
        "ut": NUMBERS,
    },
)


@pytest.mark.slow
@given(base=BASES, first_value=NUMBERS, records=st.lists(RECORDS, max_size=6))
@settings(max_examples=400, deadline=None, derandomize=True, suppress_health_check=BUSY)
def test_ways_through_senml_agree_when_a_pack_is_sound(
    base: dict[str, Any], first_value: float, records: list[dict[str, Any]]
) -> None:
    """JSON, CBOR and the plain resolver give the same columns for the same pack."""
    pack = [{**base, "v": first_value}, *records]
    into = Gathering()
    resolve([dict(record) for record in pack], into, 0)
    wanted = into.finish()
    for found in (decode(json_pack(pack)), decode(cbor_pack(pack))):
        assert np.array_equal(found.time_us, wanted.time_us)
        assert np.array_equal(found.value, wanted.value, equal_nan=True)
        assert [found.names[code] for code in found.name_code] == [
            wanted.names[code] for code in wanted.name_code
        ]
        assert [found.units[code] for code in found.unit_code] == [
            wanted.units[code] for code in wanted.unit_code
        ]
        assert (found.sequence, found.secondary) == (wanted.sequence, wanted.secondary)
    assert math.isfinite(float(wanted.value.sum()))
