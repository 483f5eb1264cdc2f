"""
Where one structure's files lie below the data folder of its site.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import StationError
from pipeline.site.models import Site, Structure

# sun_path of a unix socket holds 108 bytes on Linux, 104 elsewhere.
SOCKET_PATH_LIMIT = 100


@dataclass(frozen=True)
class Layout:
    """Paths of one structure; nothing is created by asking for them."""

    data: Path
    structure: str

    @property
    def home(self) -> Path:
        """Everything of the structure."""
        return self.data / self.structure

    @property
    def spool(self) -> Path:
        """Records that the station has taken and not yet sealed for good."""
        return self.home / "spool"

    @property
    def ledger(self) -> Path:
        """Position, states, journal, outbox and quarantine."""
        return self.home / "ledger.db"

    @property
    def told(self) -> Path:
        """One JSON line for each notice that was told by log."""
        return self.home / "notices.jsonl"

    @property
    def configurations(self) -> Path:
        """Every configuration that ever ran here."""
        return self.home / "configurations"

    @property
    def socket(self) -> Path:
        """Local socket of the running worker."""
        path = self.home / "worker.sock"
        if len(os.fsencode(path)) <= SOCKET_PATH_LIMIT:
            return path
        digest = hashlib.sha256(os.fsencode(path)).hexdigest()[:16]
        return Path(tempfile.gettempdir()) / f"spanwarden-{os.getuid()}" / f"{digest}.sock"

    @property
    def lock(self) -> Path:
        """Held by the worker; a second one on the same structure is refused."""
        return self.home / "worker.lock"


def layout_of(site: Site, structure: str) -> Layout:
    """The paths of `structure`; the data folder is relative to the site's own folder."""
    return Layout((Path(site.folder) / site.storage.folder).resolve(), structure)


def structure_of(site: Site, structure: str | None) -> Structure:
    """
    The structure of that id, or the only one when `structure` is None.

    Raises:
        StationError: no such structure, or several and none was named.
    """
    known = {s.id: s for s in site.structures}
    if structure is None and len(known) == 1:
        return next(iter(known.values()))
    if structure not in known:
        names = ", ".join(known)
        found = f'no structure "{structure}"' if structure else "no structure was named"
        raise StationError(f'{found} in site "{site.name}". Use --structure with one of: {names}.')
    return known[structure]
