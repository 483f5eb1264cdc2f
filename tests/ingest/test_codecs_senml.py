"""
SenML in JSON and CBOR: RFC examples, the rules of the base fields, and every refusal.

Expected values come from RFC 8428 (copied beside each pack) or are worked by hand.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import cbor2
import numpy as np
import pytest

from pipeline.errors import PayloadError
from pipeline.ingest.codecs import SENML_CBOR, SENML_JSON, decode, decode_batch
from pipeline.ingest.columns import MAX_PAYLOAD_BYTES, Decoded
from tests.ingest.encoders import Pack, cbor_pack, json_pack

EXAMPLES = Path(__file__).parents[3] / "shared" / "reference" / "senml" / "rfc8428_examples.json"
ENCODERS = [pytest.param(json_pack, id="json"), pytest.param(cbor_pack, id="cbor")]
Encoder = Callable[[Pack], bytes]

# RFC 8428, 5.1.2, second example, and its resolved times; the CBOR bytes are those of section 6.
CURRENTS = ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6))
MULTI_PAST = [
    {
        "bn": "urn:dev:ow:10e2073a0108006:",
        "bt": 1276020076.001,
        "bu": "A",
        "bver": 5,
        "n": "voltage",
        "u": "V",
        "v": 120.1,
    },
    *({"n": "current", "t": t, "v": v} for t, v in CURRENTS),
    {"n": "current", "v": 1.7},
]
MULTI_PAST_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b001062236141"
    "20050067766f6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333"
    "a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74062202fb3ff6666666666666a300"
    "6763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74"
    "060002fb3ffb333333333333"
)


def names_of(decoded: Decoded) -> list[str]:
    """Row-wise names."""
    return [decoded.names[code] for code in decoded.name_code]


def units_of(decoded: Decoded) -> list[str]:
    """Row-wise units."""
    return [decoded.units[code] for code in decoded.unit_code]


@pytest.mark.parametrize(
    "payload",
    [json_pack(MULTI_PAST), cbor_pack(MULTI_PAST), MULTI_PAST_CBOR],
    ids=["json", "cbor", "cbor of the RFC"],
)
def test_example_of_the_rfc_resolves_when_given_in_either_form(payload: bytes) -> None:
    """The second pack of RFC 8428, 5.1.2 gives the names, units, times and values it states."""
    decoded = decode(payload)

    assert names_of(decoded) == [
        f"urn:dev:ow:10e2073a0108006:{name}" for name in ["voltage"] + ["current"] * 6
    ]
    assert units_of(decoded) == ["V"] + ["A"] * 6
    assert decoded.value.tolist() == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert decoded.time_us.tolist() == [
        second * 1_000_000 + 1000 for second in [1276020076, *range(1276020071, 1276020077)]
    ]


def test_all_absolute_examples_resolve_when_the_reference_is_there() -> None:
    """Each pack of the reference with absolute times gives its stated resolved records."""
    if not EXAMPLES.exists():
        pytest.skip("the reference folder is not part of the checkout")
    examples = json.loads(EXAMPLES.read_text(encoding="utf-8"))["examples"]
    absolute = [example for example in examples if "t" in example["resolved"][0]]

    assert [example["id"] for example in absolute] == ["multi_past", "measurements"]
    for example in absolute:
        for encoder in (json_pack, cbor_pack):
            decoded = decode(encoder(example["pack"]))
            wanted = example["resolved"]
            assert names_of(decoded) == [record["n"] for record in wanted]
            assert units_of(decoded) == [record["u"] for record in wanted]
            assert decoded.value.tolist() == [record["v"] for record in wanted]
            assert decoded.time_us.tolist() == [round(record["t"] * 1e6) for record in wanted]


@pytest.mark.parametrize("encoder", ENCODERS)
def test_base_fields_hold_until_replaced_when_they_change_inside(encoder: Encoder) -> None:
    """Base name, time, unit and value apply up to the next record that has the same one."""
    decoded = decode(
        encoder(
            [
                {"bn": "a:", "bt": 1.7e9, "bu": "V", "bv": 10, "n": "x", "v": 1},
                {"n": "y", "t": 2, "v": 2},
                {"bt": 1.8e9, "n": "x", "v": 3},
                {"bn": "b:", "bv": 0, "bu": "Cel", "n": "z", "v": 4},
                {"n": "z", "u": "K", "t": -1, "v": 5},
            ]
        )
    )

    assert names_of(decoded) == ["a:x", "a:y", "a:x", "b:z", "b:z"]
    assert units_of(decoded) == ["V", "V", "V", "Cel", "K"]
    assert decoded.value.tolist() == [11, 12, 13, 4, 5]
    assert (decoded.time_us / 1e6).tolist() == [1.7e9, 1.7e9 + 2, 1.8e9, 1.8e9, 1.8e9 - 1]


@pytest.mark.parametrize("encoder", ENCODERS)
def test_missing_value_is_zero_when_there_is_a_base_value(encoder: Encoder) -> None:
    """With only one of base value and value the other counts as zero (RFC 8428, 4.5.4)."""
    decoded = decode(encoder([{"bt": 1.7e9, "bv": 7.5, "n": "x"}, {"n": "x", "t": 1}]))

    assert decoded.value.tolist() == [7.5, 7.5]


@pytest.mark.parametrize("encoder", ENCODERS)
def test_times_are_exact_when_sent_as_whole_microseconds_in_any_split(encoder: Encoder) -> None:
    """A base time in doubles, 0.24 µs apart, and any offset of whole µs give that very µs."""
    wanted = [1_763_992_800_123_457 + step for step in (0, 1, 100_001, 59_999_999)]
    bases = [1763992800.123457, 1763992800.0, 1763990000.5]
    for base in bases:
        base_us = round(base * 1e6)
        pack = [{"bt": base, "n": "x", "t": (us - base_us) / 1e6, "v": 1} for us in wanted]
        decoded = decode(encoder(pack))

        assert decoded.time_us.tolist() == wanted


def test_times_go_to_the_nearest_microsecond_when_they_are_finer() -> None:
    """0.6 µs is one microsecond, 0.4 none; below zero too."""
    pack = [{"bt": 1700000000, "n": "x", "t": t, "v": 1} for t in (6e-7, 4e-7, -6e-7, -4e-7)]

    assert (decode(json_pack(pack)).time_us - 1_700_000_000_000_000).tolist() == [1, 0, -1, 0]


@pytest.mark.parametrize("encoder", ENCODERS)
def test_unknown_label_is_ignored_when_it_does_not_end_in_underscore(encoder: Encoder) -> None:
    """RFC 8428, 4.4: unknown labels are ignored, wherever they stand."""
    decoded = decode(
        encoder(
            [
                {"bt": 1.7e9, "n": "x", "v": 1, "quality": "good", "ut": 60, "s": 4},
                {"n": "x", "t": 1, "v": 2, "note": {"deep": [1]}},
            ]
        )
    )

    assert decoded.value.tolist() == [1, 2]


def test_last_label_counts_when_json_gives_it_twice() -> None:
    """Of a JSON label given twice the last counts, in the typed path and in the other."""
    plain = decode(b'[{"n":"x","t":1700000000,"v":1,"v":2}]')
    resolved = decode(b'[{"n":"x","t":1700000000,"v":1,"v":2,"q":0}]')

    assert plain.value.tolist() == resolved.value.tolist() == [2]


@pytest.mark.parametrize("encoder", ENCODERS)
def test_sequence_is_read_when_it_stands_in_the_first_record(encoder: Encoder) -> None:
    """`seq_` stands beside the first value, or in a first record without one."""
    beside = decode(encoder([{"seq_": 7, "bt": 1.7e9, "n": "x", "v": 1}]))
    own = decode(encoder([{"seq_": 8, "bt": 1.7e9, "bn": "x"}, {"v": 1}, {"t": 1, "v": 2}]))

    assert (beside.sequence, beside.value.tolist()) == ({0: 7}, [1])
    assert (own.sequence, own.value.tolist()) == ({0: 8}, [1, 2])


@pytest.mark.parametrize("encoder", ENCODERS)
def test_secondary_units_are_allowed_when_the_version_says_so(encoder: Encoder) -> None:
    """RFC 9100: version 26 has the bit of the secondary units, 10 has not."""
    rows = {"bt": 1.7e9, "n": "x", "u": "mV", "v": 1}

    assert decode(encoder([{"bver": 26, **rows}])).secondary == {0}
    assert decode(encoder([{"bver": 10, **rows}])).secondary == frozenset()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None])
def test_value_becomes_a_row_when_cbor_carries_no_number(value: float | None) -> None:
    """NaN, infinity and null in CBOR stay rows, which the gate refuses one by one."""
    pack = [{"bt": 1.7e9, "n": "x", "v": 1}, {"n": "x", "t": 1, "v": value}]
    decoded = decode(cbor_pack(pack))

    assert decoded.value[0] == 1
    assert not np.isfinite(decoded.value[1])


LATE = {"bt": 1.7e9, "n": "x", "v": 1}
REFUSED: list[tuple[str, Pack]] = [
    ("no_records", []),
    ("no_value", [{"bt": 1.7e9, "n": "x"}]),
    ("no_value", [LATE, {"n": "x"}]),
    ("no_name", [{"bt": 1.7e9, "v": 1}]),
    ("no_name", [LATE, {"t": 1, "v": 1}]),
    ("relative_time", [{"n": "x", "v": 1}]),
    ("relative_time", [{"n": "x", "t": -5, "v": 1}]),
    ("relative_time", [{"n": "x", "t": 2**28 - 1e-6, "v": 1}]),
    ("relative_time", [LATE, {"bt": 5, "n": "x", "v": 1}]),
    ("time_range", [{"n": "x", "t": 1e15, "v": 1}]),
    ("time_range", [{"bt": 2.5e11, "n": "x", "t": 2.5e11, "v": 1}]),
    ("non_numeric", [LATE, {"n": "y", "vs": "text"}]),
    ("non_numeric", [LATE, {"n": "y", "vb": True}]),
    ("non_numeric", [LATE, {"n": "y", "vd": "aGkgCg"}]),
    ("non_numeric", [LATE, {"n": "y", "s": 3}]),
    ("unknown_label", [{**LATE, "must_": 1}]),
    ("unknown_label", [LATE, {"n": "x", "v": 2, "must_": 1}]),
    ("sequence", [{**LATE, "seq_": -1}]),
    ("sequence", [{**LATE, "seq_": 1.5}]),
    ("sequence", [{**LATE, "seq_": 2**63}]),
    ("sequence", [LATE, {"n": "x", "t": 1, "v": 2, "seq_": 1}]),
    ("version", [{**LATE, "bver": 11}]),
    ("version", [{**LATE, "bver": 42}]),
    ("version", [{**LATE, "bver": 0}]),
    ("version", [{**LATE, "bver": 10}, {**LATE, "bver": 26}]),
    ("version", [LATE, {**LATE, "bver": 26}]),
    ("malformed", [{**LATE, "v": "1.5"}]),
    ("malformed", [{**LATE, "v": True}]),
    ("malformed", [{**LATE, "v": [1]}]),
    ("malformed", [{**LATE, "v": 10**400}]),
    ("malformed", [{**LATE, "t": "1"}]),
    ("malformed", [{**LATE, "t": None}]),
    ("malformed", [{**LATE, "n": 5}]),
    ("malformed", [{**LATE, "u": 5}]),
    ("malformed", [LATE, {"bn": 5, "v": 1}]),
]


@pytest.mark.parametrize("encoder", ENCODERS)
@pytest.mark.parametrize(("reason", "pack"), REFUSED, ids=lambda part: str(part)[:60])
def test_pack_is_refused_whole_when_a_rule_is_broken(
    reason: str, pack: Pack, encoder: Encoder
) -> None:
    """Each broken rule has its reason, and the good message beside it is decoded all the same."""
    decoded = decode_batch([json_pack([LATE]), encoder(pack), json_pack([LATE])], [""] * 3)

    assert {number: error.reason for number, error in decoded.errors.items()} == {1: reason}
    assert decoded.message.tolist() == [0, 2]


@pytest.mark.parametrize(
    ("payload", "content_type"),
    [
        (b"", SENML_JSON),
        (b"{}", SENML_JSON),
        (b"[{", SENML_JSON),
        (b"[[]]", SENML_JSON),
        (b"[1]", SENML_JSON),
        (json_pack([LATE])[:-1], SENML_JSON),
        (json_pack([LATE])[:-1] + b",]", SENML_JSON),
        (json_pack([LATE]) + b"[]", SENML_JSON),
        (b'[{"n":"x","t":1700000000,"v":NaN}]', SENML_JSON),
        (b'[{"n":"x","t":1700000000,"v":1e999}]', SENML_JSON),
        (b'[{"n":"\xff","t":1700000000,"v":1}]', SENML_JSON),
        (b"[" * 200_000, SENML_JSON),
        (b"", SENML_CBOR),
        (cbor2.dumps({}), SENML_CBOR),
        (cbor2.dumps([[]]), SENML_CBOR),
        (cbor_pack([LATE])[:-1], SENML_CBOR),
        (cbor_pack([LATE]) + cbor_pack([LATE]), SENML_CBOR),
        (b"\x81" * 200_000, SENML_CBOR),
        (bytes.fromhex("9b7fffffffffffffff"), SENML_CBOR),
        (bytes.fromhex("5b00000000ffffffff"), SENML_CBOR),
        (bytes.fromhex("d81c81d81d00"), SENML_CBOR),
        (cbor2.dumps([{0: "x", 6: 1.7e9, "v": 1}]), SENML_CBOR),
        (cbor2.dumps([{0: "x", 6: math.inf, 2: 1}]), SENML_CBOR),
        (cbor2.dumps([{0: "x", 6: 1.7e9, 2: 1}, {0: "x", 6: math.nan, 2: 1}]), SENML_CBOR),
    ],
    ids=lambda part: str(part)[:40],
)
def test_bytes_are_malformed_when_they_are_no_pack(payload: bytes, content_type: str) -> None:
    """Truncated, doubled, nested and foreign bytes are refused as malformed, nothing else."""
    with pytest.raises(PayloadError) as caught:
        decode(payload, content_type)

    assert caught.value.reason == "malformed"


def test_message_is_oversize_when_it_has_a_byte_too_many() -> None:
    """At 4 MiB a message is read, a byte more is refused with both numbers in the text."""
    pack = json_pack([LATE])
    fits = pack[:-1] + b" " * (MAX_PAYLOAD_BYTES - len(pack)) + b"]"
    decode(fits)
    with pytest.raises(PayloadError) as caught:
        decode(fits + b" ")

    assert str(caught.value) == (
        "oversize: 4194305 bytes; a message may have 4194304. Send smaller messages."
    )


def test_message_has_too_many_rows_when_it_passes_the_limit() -> None:
    """200,000 readings are taken, one more is refused."""
    first = b'[{"bt":2e9,"bn":"x","v":1}'
    most = decode(first + b',{"v":1}' * 199_999 + b"]")
    many = first + b',{"v":1}' * 200_000 + b"]"
    with pytest.raises(PayloadError) as caught:
        decode(many)

    assert len(most) == 200_000
    assert caught.value.reason == "too_many"


@pytest.mark.parametrize(
    ("payload", "content_type"),
    [
        (json_pack([LATE]), ""),
        (b"\n " + json_pack([LATE]), ""),
        (json_pack([LATE]), "application/senml+json; charset=utf-8"),
        (json_pack([LATE]), "Application/SenML+JSON"),
        (json_pack([LATE]), "text/plain"),
        (cbor_pack([LATE]), ""),
        (b"\xd9\xd9\xf7" + cbor_pack([LATE]), ""),
        (b"\x9f" + cbor_pack([LATE])[1:] + b"\xff", ""),
    ],
    ids=lambda part: str(part)[:40],
)
def test_format_is_recognised_when_type_or_first_bytes_tell_it(
    payload: bytes, content_type: str
) -> None:
    """Content type with parameters or in capitals, else the first bytes."""
    assert decode(payload, content_type).value.tolist() == [1]


@pytest.mark.parametrize("payload", [b"", b"{}", b"hello", b"\x00\x01", b"\xff\xff"])
def test_message_is_unrecognised_when_nothing_tells_the_format(payload: bytes) -> None:
    """Without type and known first bytes it is refused, and the text shows what was there."""
    with pytest.raises(PayloadError) as caught:
        decode(payload)

    assert caught.value.reason == "unrecognised"
    assert (payload[:8].hex() or "none") in caught.value.detail
    assert "Send SenML JSON, SenML CBOR or an Arrow stream." in caught.value.detail
