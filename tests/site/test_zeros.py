"""
A zero is one line more in zeros.jsonl: whole, durable, and nothing that stood there changes.
"""

import errno
import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ConfigError, StorageError
from pipeline.site.models import Zero
from pipeline.site.read import read_site
from pipeline.site.zeros import append_zero
from tests.site.examples import write_example_site

OLD = (
    '{"reason":"closed",  "serial": "F-0411", "valid_from": "2026-03-03T04:00:00Z", "recorded": '
    '"2026-03-03T09:00:00Z", "offset_delta": 1.2e-5, "offset_delta_u": 1e-6, '
    '"known_strain_um_m": 0.0, "temperature_c": 8.5, "by": "Ines Okoro"}\n'
)


def zero(**changes: Any) -> Zero:
    """A zero of the example's foil gauge, in April."""
    fields: dict[str, Any] = {
        "serial": "F-0411",
        "valid_from": datetime(2026, 4, 1, 4, 0, 0, 250_000, tzinfo=UTC),
        "recorded": datetime(2026, 4, 1, 9, tzinfo=UTC),
        "offset_delta": -1.2345678901234e-05,
        "offset_delta_u": 1e-06,
        "known_strain_um_m": -11.5,
        "temperature_c": 9.0,
        "by": "ines",
        "reason": 'closed, "empty" – 3 µm/m',
    }
    return Zero(**{**fields, **changes})


def zeros_in(folder: Path) -> tuple[Zero, ...]:
    """What the station will read."""
    return read_site(folder).structures[0].zeros


def test_old_lines_keep_every_byte_and_the_new_one_reads_back(tmp_path: Path) -> None:
    """However the old lines are spaced, they stay; the new zero comes back equal."""
    write_example_site(tmp_path, extra={"zeros.jsonl": OLD + "\n"})
    path = append_zero(tmp_path, zero())

    assert path.read_bytes().startswith((OLD + "\n").encode())
    assert path.read_text().count("\n") == 3
    assert zeros_in(tmp_path)[1:] == (zero(),)


@pytest.mark.parametrize("before", [None, "", OLD.removesuffix("\n"), OLD.replace("\n", "\r\n")])
def test_the_line_stands_alone_whatever_was_there(tmp_path: Path, before: str | None) -> None:
    """No file, an empty one, a last line without its end: the new line is one of its own."""
    write_example_site(tmp_path, extra={} if before is None else {"zeros.jsonl": before})
    append_zero(tmp_path, zero())

    assert zeros_in(tmp_path)[-1] == zero()
    assert len(zeros_in(tmp_path)) == (2 if before else 1)


@settings(deadline=None, max_examples=12, suppress_health_check=list(HealthCheck))
@given(
    reason=st.text(min_size=1, max_size=40).filter(lambda text: bool(text.strip())),
    offset=st.floats(-1.0, 1.0),
    recorded=st.datetimes(datetime(2026, 4, 2), datetime(2099, 1, 1), timezones=st.just(UTC)),
)
def test_any_reason_and_number_comes_back(
    tmp_path_factory: pytest.TempPathFactory, reason: str, offset: float, recorded: datetime
) -> None:
    """Quotes, line ends and signs in a reason, and every bit of a number, survive the file."""
    folder = write_example_site(tmp_path_factory.mktemp("site"))
    said = zero(reason=reason, offset_delta=offset, recorded=recorded)
    append_zero(folder, said)

    assert zeros_in(folder) == (said,)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"serial": "F-0911"}, 'found "F-0911"; expected a serial of gauges.csv'),
        ({"by": " "}, "A zero is a statement by a person, with its reason: write it."),
        (
            {"valid_from": datetime(2020, 1, 1, tzinfo=UTC)},
            "when the gauge was at no point; expected a time at which it was in place",
        ),
    ],
)
def test_a_line_with_which_no_station_would_start_is_refused(
    tmp_path: Path, changes: dict[str, Any], message: str
) -> None:
    """The mistake is told as `check` tells it, and the file is as it was."""
    write_example_site(tmp_path, extra={"zeros.jsonl": OLD})
    with pytest.raises(ConfigError) as refused:
        append_zero(tmp_path, zero(**changes))

    assert message in str(refused.value)
    assert (tmp_path / "zeros.jsonl").read_text() == OLD


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_disk_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Whichever step fails: the old bytes, no part left over, and what to do."""
    write_example_site(tmp_path, extra={"zeros.jsonl": OLD})

    def fails(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, step, fails)
    with pytest.raises(StorageError) as refused:
        append_zero(tmp_path, zero())

    assert "the zero is not written: No space left on device. Make room" in str(refused.value)
    assert (tmp_path / "zeros.jsonl").read_text() == OLD
    assert list(tmp_path.glob(".*.part")) == []


def test_the_line_is_synced_before_its_name_is_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is on the medium before the rename, and the folder after it."""
    write_example_site(tmp_path, extra={"zeros.jsonl": OLD})
    done: list[str] = []
    real_sync, real_replace = os.fsync, os.replace

    def syncs(descriptor: int) -> None:
        done.append("folder" if os.path.isdir(f"/proc/self/fd/{descriptor}") else "file")
        real_sync(descriptor)

    def renames(*names: Any, **options: Any) -> None:
        done.append("rename")
        real_replace(*names, **options)

    monkeypatch.setattr(os, "fsync", syncs)
    monkeypatch.setattr(os, "replace", renames)
    append_zero(tmp_path, zero())

    assert done == ["file", "rename", "folder"]


def test_two_at_once_follow_one_another(tmp_path: Path) -> None:
    """Of eight who append at the same time none loses a line."""
    write_example_site(tmp_path, extra={"zeros.jsonl": OLD})
    said = [zero(reason=f"statement {i}") for i in range(8)]
    threads = [threading.Thread(target=append_zero, args=(tmp_path, one)) for one in said]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(one.reason for one in zeros_in(tmp_path)[1:]) == [one.reason for one in said]


def test_rights_and_a_link_stay(tmp_path: Path) -> None:
    """The file that a link points to is replaced with the rights it had; the link is one still."""
    write_example_site(tmp_path / "site")
    kept = tmp_path / "kept.jsonl"
    kept.write_text(OLD)
    kept.chmod(0o640)
    link = tmp_path / "site" / "zeros.jsonl"
    link.symlink_to(kept)
    append_zero(tmp_path / "site", zero())

    assert link.is_symlink()
    assert kept.stat().st_mode & 0o777 == 0o640
    assert kept.read_text().startswith(OLD)
    assert zeros_in(tmp_path / "site")[-1] == zero()
