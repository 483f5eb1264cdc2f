"""Records for the tests of the spool, and reading all of one."""

from __future__ import annotations

from pathlib import Path

from pipeline.store.spool import Record, RecordKind, Spool


def message(number: int, size: int = 24) -> Record:
    """A message whose payload names its number, filled up to `size` bytes."""
    payload = f"reading {number} ".encode().ljust(size, b".")
    topic = f"spanwarden/ford/node-{number % 3}/readings"
    return Record(RecordKind.MESSAGE, 1_750_000_000_000_000 + number, payload, topic, "x/y", number)


def messages(first: int, count: int, size: int = 24) -> list[Record]:
    """`count` messages from `first` on."""
    return [message(number, size) for number in range(first, first + count)]


def read_all(spool: Spool, start: int | None = None, **limits: int) -> list[Record]:
    """Everything from `start` (default: the oldest) to the end, call by call."""
    position = spool.first_position if start is None else start
    found: list[Record] = []
    while batch := spool.read(position, **limits):
        found += batch
        position = batch[-1].position + 1
    return found


def payload_numbers(records: list[Record]) -> list[int]:
    """The numbers that `message` wrote into the payloads."""
    return [int(record.payload.split()[1]) for record in records]


def segment_files(folder: Path) -> list[Path]:
    """Files of the segments, oldest first."""
    return sorted(folder.glob("*.spool"))
