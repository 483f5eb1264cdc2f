"""
The command `simulate`: what it sends, records, and says when it is used wrongly.
"""

import gzip
import json
from pathlib import Path

import pandas as pd
import pytest

from pipeline.simulate.command import main
from tests.brokers import mosquitto

SPAN = ["--structure", "quill-beam", "--from", "2026-07-25T00:00:00Z", "--hours", "0.1"]


def test_a_recording_holds_every_reading_and_the_truth(tmp_path: Path) -> None:
    """0.1 h of 7 channels each 10 s: 252 readings in 26 messages, truth once a minute."""
    stream, truth = tmp_path / "s.jsonl.gz", tmp_path / "t.parquet"
    code = main([*SPAN, "--batch", "10", "--record", str(stream), "--truth", str(truth)])
    lines = [json.loads(line) for line in gzip.decompress(stream.read_bytes()).splitlines()]
    sent = [record for line in lines for record in json.loads(line["payload"])]

    assert code == 0
    assert len(lines) == 26
    assert len({(r["n"], i) for i, r in enumerate(sent)}) == 36 * 7
    assert {line["topic"] for line in lines} == {"spanwarden/quill-beam/beam-n1/readings"}
    assert len(pd.read_parquet(truth)) == 6 * 7


def test_the_same_seed_records_the_same_bytes(tmp_path: Path) -> None:
    """Equal commands give equal files, another seed another."""
    files = [tmp_path / f"{i}.jsonl.gz" for i in range(3)]
    for file, seed in zip(files, ("1", "1", "2"), strict=True):
        main([*SPAN, "--seed", seed, "--record", str(file)])

    assert files[0].read_bytes() == files[1].read_bytes() != files[2].read_bytes()


@pytest.mark.slow
@pytest.mark.broker
def test_publishing_tells_what_was_acknowledged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """To a real broker, as fast as possible: all acknowledged, told in one line."""
    with mosquitto(tmp_path) as broker:
        address = f"127.0.0.1:{broker.port}"
        code = main(
            [*SPAN, "--speed", "max", "--batch", "50", "--broker", address, "--payload", "arrow"]
        )
    said = capsys.readouterr().out

    assert code == 0
    assert said == (f"quill-beam: 252 readings in 6 messages to {address}, 6 acknowledged\n")


def test_faster_than_real_time_never_stamps_the_future(tmp_path: Path) -> None:
    """Without --from, a span at another speed ends now; in real time it begins now."""
    now = 1_785_000_000.0
    stamps = {}
    for speed in ("1", "60"):
        stream = tmp_path / f"{speed}.jsonl"
        main(
            [
                "--structure",
                "quill-beam",
                "--hours",
                "0.1",
                "--speed",
                speed,
                "--record",
                f"{stream}",
            ],
            now=lambda: now,
        )
        lines = stream.read_text().splitlines()
        stamps[speed] = [json.loads(line)["received_us"] * 1e-6 - now for line in lines]

    assert min(stamps["1"]) >= 0
    assert max(stamps["60"]) <= 0.3


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (["--structure", "nowhere"], 'no structure "nowhere"'),
        (["--event", "storm@1h+1h"], "KIND@OFFSET"),
        (["--fault", "open:nothing@1h+1h"], "no such target"),
        (["--broker", "host"], "write HOST:PORT"),
        (["--speed", "0"], "above 0, or max"),
        (["--rate", "0"], "division"),
        (["--from", "2026-07-25T00:00:00"], "no zone"),
        (["--password-env", "NO_SUCH_VARIABLE"], "no such variable"),
        (["--hours", "0"], "span is empty"),
        (["--batch", "0"], "1 or more"),
    ],
)
def test_wrong_usage_ends_with_2_and_a_remedy(
    wrong: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each wrong argument is told in its own words, exit code 2."""
    with pytest.raises(SystemExit) as ended:
        main(wrong)

    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    """--help shows whole commands and the forms of events and faults."""
    with pytest.raises(SystemExit) as ended:
        main(["--help"])
    said = capsys.readouterr().out

    assert ended.value.code == 0
    assert "spanwarden simulate --structure quill-deck --hours 2 --event overload@30m+6m" in said
    assert "KIND:TARGET@OFFSET+DURATION[*SIZE]" in said
