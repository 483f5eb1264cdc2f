"""
Truth tables and stream files: what is written can be read back by anybody.
"""

import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.simulate.encode import Message
from pipeline.simulate.record import arrivals, stream_text, write_stream
from pipeline.simulate.truth import Truth, iso_time, joined, write_truth

T0 = 1_784_937_600_000_000


def example() -> Truth:
    """Two instants of a foil point and of a thermometer."""
    time = np.array([T0, T0 + 500_000])
    nothing = np.full(2, np.nan)
    strain = Truth.of_strain(
        "p", time, np.array([1e-4, -2.5e-6]), np.array([1e-5, 0.0]), np.array([20.0, 21.5]), nothing
    )
    return joined([strain, Truth.of_sensor("t", time, np.array([19.9, 21.4]), nothing)])


@pytest.mark.parametrize("name", ["t.csv", "t.csv.gz", "t.parquet"])
def test_any_reader_gets_the_truth_back(tmp_path: Path, name: str) -> None:
    """Strains in µm/m, total with the free expansion, absent cells null, times in UTC."""
    write_truth(example(), tmp_path / name)
    is_csv = ".csv" in name
    table = pd.read_csv(tmp_path / name) if is_csv else pd.read_parquet(tmp_path / name)
    strain = table[table.point == "p"]

    assert strain.mechanical.tolist() == pytest.approx([100.0, -2.5])
    assert strain.total.tolist() == pytest.approx([110.0, -2.5])
    assert strain.value.isna().all()
    assert table[table.point == "t"].value.tolist() == pytest.approx([19.9, 21.4])
    times = pd.to_datetime(table.time, format="ISO8601").astype("datetime64[us, UTC]")
    assert times.astype("int64").tolist() == [T0, T0, T0 + 500_000, T0 + 500_000]


def test_equal_truth_gives_equal_bytes(tmp_path: Path) -> None:
    """The compressed file holds neither a name nor a time of its own."""
    for name in ("a.csv.gz", "b.csv.gz"):
        write_truth(example(), tmp_path / name)
    first, second = ((tmp_path / name).read_bytes() for name in ("a.csv.gz", "b.csv.gz"))

    assert first == second
    assert first[4:8] == bytes(4)


def test_another_ending_is_refused(tmp_path: Path) -> None:
    """The message names what there is."""
    with pytest.raises(ValueError, match=r"t\.xls: truth is written as \.csv, \.csv\.gz or"):
        write_truth(example(), tmp_path / "t.xls")


def test_times_are_iso_to_the_microsecond() -> None:
    """2026-07-25T00:00:00Z, with six digits where there is a fraction."""
    assert iso_time(T0) == "2026-07-25T00:00:00Z"
    assert iso_time(T0 + 1) == "2026-07-25T00:00:00.000001Z"


def test_a_stream_file_has_a_line_a_message(tmp_path: Path) -> None:
    """Text payloads stay text, binary ones are base64; arrival is the sending plus the latency."""
    messages = [
        Message("a/b", "application/senml+json", b'[{"n":"\xc2\xb5"}]', 1, 1, T0),
        Message("a/b", "application/senml+cbor", b"\x81\xff", 2, 1, T0 + 5),
    ]
    write_stream(arrivals(messages, 1000), tmp_path / "s.jsonl.gz")
    text = gzip.decompress((tmp_path / "s.jsonl.gz").read_bytes()).decode()
    first, second = (json.loads(line) for line in text.splitlines())

    assert text == stream_text(arrivals(messages, 1000))
    assert first == {
        "received_us": T0 + 1000,
        "topic": "a/b",
        "content_type": "application/senml+json",
        "sequence": 1,
        "payload": '[{"n":"µ"}]',
    }
    assert second["payload_b64"] == "gf8="
    assert second["received_us"] == T0 + 1005
