"""
Snapshots: whole, hashed, in the order in which they were recorded, and only when something changed.
"""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import ConfigError, StorageError
from pipeline.site.read import read_site
from pipeline.site.snapshot import hash_files, snapshot, write_snapshot
from tests.site.examples import FILES, write_example_site

NOON_US = int(datetime(2026, 5, 4, 12, 0, 0, tzinfo=UTC).timestamp()) * 1_000_000


def test_snapshot_holds_every_file_as_it_stands_on_disk(tmp_path: Path) -> None:
    """Texts come in order of name, byte for byte, and the site has the same hash."""
    extra = {"points.csv": "\ufeff" + FILES["points.csv"].replace("\n", "\r\n")}
    write_example_site(tmp_path, extra=extra)

    sha256, files = snapshot(tmp_path)

    assert list(files) == sorted(FILES)
    assert files["points.csv"].encode() == (tmp_path / "points.csv").read_bytes()
    assert sha256 == read_site(tmp_path).sha256


def test_hash_is_of_names_lengths_and_bytes() -> None:
    """Moving a text from one file to the next, or renaming a file, gives another hash."""
    # By hand: name, NUL, length in bytes (µ has two), NUL, content.
    expected = hashlib.sha256(b"a\x002\x00\xc2\xb5" + b"b\x001\x00x").hexdigest()

    assert hash_files({"b": "x", "a": "µ"}) == expected
    assert len({hash_files(f) for f in ({"a": "xy", "b": ""}, {"a": "x", "b": "y"})}) == 2
    assert hash_files({"a": "x"}) != hash_files({"b": "x"})


def test_incomplete_folder_has_no_snapshot(tmp_path: Path) -> None:
    """A snapshot of half a configuration would say that the other half was empty."""
    write_example_site(tmp_path)
    (tmp_path / "rules.toml").unlink()

    with pytest.raises(ConfigError) as raised:
        snapshot(tmp_path)

    assert "rules.toml: found no such file" in str(raised.value)


def test_snapshot_is_named_by_time_and_hash_and_can_be_read_back(tmp_path: Path) -> None:
    """The file holds the texts, the hash and the time; nothing else is left in the folder."""
    site = read_site(write_example_site(tmp_path / "site"))

    path = write_snapshot(site, tmp_path / "data" / "kept", NOON_US)

    assert path.name == f"20260504T120000.000000Z_{site.sha256[:12]}.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    assert content["files"] == snapshot(tmp_path / "site")[1]
    assert (content["version"], content["sha256"]) == (1, site.sha256)
    assert content["recorded"] == "2026-05-04T12:00:00+00:00"
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def test_nothing_is_written_when_the_newest_has_the_same_hash(tmp_path: Path) -> None:
    """A restart without a change leaves the folder as it was and gives the newest path."""
    site = read_site(write_example_site(tmp_path / "site"))
    first = write_snapshot(site, tmp_path / "kept", NOON_US)
    before = first.stat()

    again = write_snapshot(site, tmp_path / "kept", NOON_US + 60_000_000)

    assert again == first
    assert list((tmp_path / "kept").iterdir()) == [first]
    assert (first.stat().st_mtime_ns, first.stat().st_ino) == (before.st_mtime_ns, before.st_ino)


def test_going_back_to_an_old_configuration_is_recorded_again(tmp_path: Path) -> None:
    """Only the newest counts: what ran from when can be read from the names alone."""
    first = read_site(write_example_site(tmp_path / "site"))
    write_snapshot(first, tmp_path / "kept", NOON_US)
    changed = ("site.toml", "Alder crossing", "Alder crossing 2")
    second = read_site(write_example_site(tmp_path / "site", changed))
    write_snapshot(second, tmp_path / "kept", NOON_US + 1_000_000)
    back = read_site(write_example_site(tmp_path / "site"))
    write_snapshot(back, tmp_path / "kept", NOON_US + 2_000_000)

    hashes = [path.stem.split("_")[1] for path in sorted((tmp_path / "kept").iterdir())]

    assert hashes == [site.sha256[:12] for site in (first, second, first)]


def test_clock_that_stepped_back_does_not_reorder_history(tmp_path: Path) -> None:
    """A later snapshot sorts after the earlier one; what the clock said is kept inside."""
    first = read_site(write_example_site(tmp_path / "site"))
    write_snapshot(first, tmp_path / "kept", NOON_US)
    changed = ("site.toml", "Alder crossing", "Alder crossing 2")
    second = read_site(write_example_site(tmp_path / "site", changed))

    path = write_snapshot(second, tmp_path / "kept", NOON_US - 3_600_000_000)

    assert path.name == f"20260504T120000.000001Z_{second.sha256[:12]}.json"
    assert json.loads(path.read_text())["clock"] == "2026-05-04T11:00:00+00:00"


def test_change_between_check_and_snapshot_is_refused(tmp_path: Path) -> None:
    """What is kept is what was checked: a file edited meanwhile stops the start."""
    site = read_site(write_example_site(tmp_path / "site"))
    write_example_site(tmp_path / "site", ("rules.toml", "high = 350.0", "high = 3500.0"))

    with pytest.raises(ConfigError) as raised:
        write_snapshot(site, tmp_path / "kept", NOON_US)

    assert str(raised.value).endswith(
        "The configuration was changed while it was read: start again."
    )
    assert not (tmp_path / "kept").exists()


def test_interrupted_write_leaves_no_snapshot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fails before the rename leaves no file that a reader would take for one."""
    site = read_site(write_example_site(tmp_path / "site"))

    def fail(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", fail)
        with pytest.raises(StorageError) as raised:
            write_snapshot(site, tmp_path / "kept", NOON_US)

    assert "the snapshot of the configuration is not written: No space left" in str(raised.value)
    assert "Make room on the disk" in str(raised.value)
    assert not list((tmp_path / "kept").glob("*.json"))
    assert write_snapshot(site, tmp_path / "kept", NOON_US).exists()
