"""
Payloads read back by general decoders and the rules of RFC 8428, and messages cut by number.
"""

import io
import json
from typing import Any

import cbor2
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.simulate.encode import CONTENT_TYPE, PAYLOADS, Message, Packer, encoded
from pipeline.simulate.scenario import Channel
from pipeline.simulate.simulator import NodeReadings
from tests.simulate.streams import Row, rows_of

CHANNELS = (
    Channel("a", "n", "Ohm", 1.0, 0.0, 1.0, 0.0, 1e6),
    Channel("b", "n", "/", 1.0, 0.0, 1e-8, -1.0, 1.0),
)
START = 1_784_937_600_000_000


def readings(count: int, first: int = 0) -> NodeReadings:
    """Readings with odd times and values that need all their digits."""
    index = np.arange(first, first + count)
    time = START + index * 333_333 + 1
    value = np.where(index % 2, 1e-8 * index + 0.1, 118_000 + index / 3)
    return NodeReadings("n", time, time, index % 2, value, CHANNELS)


def expected_rows(node: NodeReadings) -> list[Row]:
    """The rows that went in."""
    names = [CHANNELS[code].id for code in node.channel.tolist()]
    return list(zip(node.time_us.tolist(), names, node.value.tolist(), strict=True))


@pytest.mark.parametrize("kind", PAYLOADS)
def test_every_payload_gives_back_each_reading_exactly(kind: Any) -> None:
    """Time to the microsecond, name, and every bit of the value."""
    node = readings(101)

    assert rows_of(encoded(node, kind, 5), kind) == expected_rows(node)


def test_senml_has_absolute_base_time_units_and_sequence_first() -> None:
    """The first record has bt and seq_; every record has its unit; times are above 2**28."""
    records = json.loads(encoded(readings(3), "json", 77))

    assert records[0]["seq_"] == 77
    assert records[0]["bt"] > 2**28
    assert [r["u"] for r in records] == ["Ohm", "/", "Ohm"]
    assert all("seq_" not in r and "bt" not in r for r in records[1:])


def test_cbor_labels_are_those_of_the_standard() -> None:
    """bt -3, n 0, u 1, v 2, t 6 (RFC 8428, table 4); our own label stays text."""
    record = cbor2.loads(encoded(readings(1), "cbor", 1))[0]

    assert set(record) == {-3, 0, 1, 2, 6, "seq_"}


def test_arrow_carries_the_sequence_in_its_schema() -> None:
    """The schema's metadata has `seq_` as decimal digits, and nothing without a sequence."""
    counted, plain = (encoded(readings(2), "arrow", number) for number in (31, None))

    assert pa.ipc.open_stream(io.BytesIO(counted)).schema.metadata == {b"seq_": b"31"}
    assert pa.ipc.open_stream(io.BytesIO(plain)).schema.metadata is None


def test_no_sequence_leaves_no_label() -> None:
    """A node that does not count sends a plain pack."""
    assert "seq_" not in json.loads(encoded(readings(1), "json"))[0]


def unpacked(messages: list[Message]) -> list[Row]:
    """All rows of JSON messages in order."""
    return [row for message in messages for row in rows_of(message.payload, "json")]


@given(cut=st.integers(0, 50), batch=st.integers(1, 60))
def test_cutting_a_run_changes_no_message(cut: int, batch: int) -> None:
    """Messages of two pieces equal those of the whole, byte for byte, numbers included."""
    whole, parts = (Packer("p", "s", "json", batch) for _ in range(2))
    expected = whole.add({"n": readings(50)}) + whole.flush()
    found = parts.add({"n": readings(cut)}) + parts.add({"n": readings(50 - cut, cut)})
    found += parts.flush()

    assert found == expected
    assert unpacked(found) == expected_rows(readings(50))
    assert [m.sequence for m in found] == list(range(1, len(found) + 1))
    assert all(m.readings == batch for m in found[:-1])


def test_topic_and_content_type_follow_the_contract() -> None:
    """{prefix}/{structure}/{node}/readings, with the type of the payload."""
    message = Packer("spanwarden", "deck", "cbor", 2).add({"n": readings(2)})[0]

    assert message.topic == "spanwarden/deck/n/readings"
    assert message.content_type == CONTENT_TYPE["cbor"] == "application/senml+cbor"
    assert message.time_us == START + 333_334


def test_a_batch_of_nothing_is_refused() -> None:
    """At least one reading a message."""
    with pytest.raises(ValueError, match="1 or more"):
        Packer("p", "s", "json", 0)
