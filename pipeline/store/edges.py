"""
The states of the chain at the edges between windows, and which windows a moved edge reaches.

A note on disk survives a crash between a window that moved its edge and those that follow it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import StorageError
from pipeline.store.archive import Archive
from pipeline.store.derived import Chain, edge_distance, is_within_tolerance
from pipeline.store.disk import REAL_DISK
from pipeline.store.durable import replace_durably, storage_error, sync_folder
from pipeline.store.layout import KINDS
from pipeline.store.parquet import CONTENT_KEY


def entering_state(archive: Archive, window_us: int) -> str | None:
    """
    State of the chain at the start of a window: that after the nearest earlier window.

    Where retention has removed all earlier ones, the state that the window itself recorded; None
    for the first window ever.

    Raises:
        StorageError: the file that holds it is damaged.
    """
    earlier = archive.layout.preceding(window_us, "results")
    if earlier is None:
        return archive.metadata(window_us, "results").get("state_in")
    return archive.metadata(earlier, "results")["state_out"]


def is_edge_stale(archive: Archive, window_us: int, chain: Chain) -> bool:
    """
    Whether a window must be sealed again because the state at its start is no longer what it used.

    A provisional one must for any difference, so that the archive of an undisturbed stream does
    not depend on when it was sealed; a final one for more than `EDGE_TOLERANCE_UM_M`. Compared
    with what the window itself used, small moves cannot add up unseen.
    """
    used = archive.metadata(window_us, "results")
    if not used:
        return True
    if archive.metadata(window_us, "raw").get("complete") == "false":
        return False  # its results cannot be made again
    entering = entering_state(archive, window_us)
    if not archive.is_final(window_us):
        return used.get("state_in") != entering
    return not is_within_tolerance(edge_distance(used.get("state_in"), entering, chain))


def stale_windows(archive: Archive, from_us: int, chain: Chain) -> list[int]:
    """Windows from `from_us` on whose edge is stale or whose seal was cut off, ascending."""
    return [
        window
        for window in archive.windows()
        if window >= from_us
        and (is_edge_stale(archive, window, chain) or not _is_sealed_whole(archive, window))
    ]


def _is_sealed_whole(archive: Archive, window_us: int) -> bool:
    """Whether each file of a window was made from the one before it, and the final mark is set."""
    raw, results, summary = (archive.metadata(window_us, kind) for kind in KINDS)
    if raw["complete"] == "false":
        return True  # there is nothing that a seal could make again
    return (
        results.get("raw_sha256") == raw[CONTENT_KEY]
        and summary.get("results_sha256") == results[CONTENT_KEY]
        and raw["status"] == results["status"] == summary["status"]
    )


def note_unfinished(archive: Archive, windows: Iterable[int]) -> None:
    """Put on disk that edges from the first of these windows on may be stale."""
    first = min(windows)
    known = unfinished_from(archive)
    if known is None or first < known:
        replace_durably(_note(archive), json.dumps({"from_us": first}).encode())


def unfinished_from(archive: Archive) -> int | None:
    """Window from which edges may be stale since a seal that was cut off, or None."""
    path = _note(archive)
    try:
        text = path.read_text()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise storage_error(f"{path}: not read", error) from error
    try:
        return int(json.loads(text)["from_us"])
    except (ValueError, KeyError, TypeError) as error:
        raise StorageError(
            f"{path}: not readable, found {text[:80]!r}. Remove it and run `spanwarden rebuild`."
        ) from error


def note_finished(archive: Archive) -> None:
    """Remove the note; nothing is stale any more."""
    path = _note(archive)
    if path.exists():
        try:
            REAL_DISK.unlink(path)
        except OSError as error:
            raise storage_error(f"{path}: not removed", error) from error
        sync_folder(path.parent)


def _note(archive: Archive) -> Path:
    return archive.layout.folder / "unfinished.json"
