"""
Tells by log: one synced JSON line in a file of its own, and a copy to the station's log.

The file is what counts. The station's log may drop lines when its pipe is full, so a line there
is never taken as told.
"""

from __future__ import annotations

import json
import logging
import os
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import DeliveryError, StorageError
from pipeline.notify.wording import iso_utc, one_line
from pipeline.store.durable import sync_folder
from pipeline.store.ledger import OutboxItem

LOGGER = logging.getLogger("spanwarden.notice")

# The lowest is WARNING: a station that logs warnings only must still show every alarm.
_LEVEL = {"critical": logging.CRITICAL, "high": logging.ERROR}


# JSON leaves these as they are, but they end a line or steer a terminal: DEL and the C1 controls,
# line and paragraph separators, bidirectional overrides.
_ESCAPED = {
    code: f"\\u{code:04x}"
    for code in (*range(0x7F, 0xA0), 0x2028, 0x2029, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
}


@dataclass(frozen=True)
class LogDelivery:
    """
    Appends to the file `path`, made with its folder when it is missing.

    The file is opened anew for each notice, so that it can be renamed away at any time.
    """

    path: Path
    name: str = "log"

    def deliver(self, item: OutboxItem, now_us: int) -> str:
        """See `Delivery.deliver`; the line is on the disk when this returns."""
        notice = item.notice
        line = {
            "told": iso_utc(now_us),
            "number": item.id,
            "recipient": notice.recipient,
            "priority": notice.priority,
            "alarm": notice.alarm,
            "subject": notice.subject,
            "body": notice.body,
            "facts": dict(notice.facts),
        }
        try:
            # A lone surrogate cannot be UTF-8; its escape is what JSON has for it.
            text = json.dumps(line, ensure_ascii=False, default=str).translate(_ESCAPED)
            self._append(text.encode(errors="backslashreplace"))
        except (OSError, StorageError) as error:
            raise DeliveryError(
                self.name,
                f"cannot append to {self.path}: {error}. Free some space or give the station's "
                "user the right to write there",
            ) from error
        LOGGER.log(
            _LEVEL.get(notice.priority, logging.WARNING),
            "notice",
            extra={
                "alarm": one_line(notice.alarm),
                "recipient": one_line(notice.recipient),
                "text": one_line(notice.subject),
            },
        )
        return f"appended to {self.path.name}"

    def _append(self, line: bytes) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        is_new = not self.path.exists()
        file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o640)
        try:
            size = os.fstat(file).st_size
            # A line cut off by a crash or a full disk must not swallow the next one.
            torn = size > 0 and os.pread(file, 1, size - 1) != b"\n"
            rest = memoryview(b"\n" * torn + line + b"\n")
            while rest:
                rest = rest[os.write(file, rest) :]
            os.fsync(file)
        finally:
            os.close(file)
        if is_new:
            sync_folder(self.path.parent)
