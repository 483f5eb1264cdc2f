"""
Structured logs: one JSON line an event on stderr, written by a thread of its own.
"""

from __future__ import annotations

import json
import logging
import logging.handlers
import queue
import sys
from datetime import UTC, datetime
from typing import TextIO

_STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}

_listeners: list[logging.handlers.QueueListener] = []


class JsonFormatter(logging.Formatter):
    """Time, level, logger, event and the facts given as `extra`; newlines are escaped by JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """One line of JSON."""
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": record.getMessage(),
        }
        line.update({k: v for k, v in vars(record).items() if k not in _STANDARD})
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


def start_logging(level: str = "INFO", stream: TextIO = sys.stderr) -> None:
    """
    Send all logs as JSON lines to `stream` through a queue.

    A full pipe must not block the thread that takes messages: behind 10,000 waiting lines new
    ones are dropped, and nothing that matters is in the log alone.
    """
    waiting: queue.Queue[logging.LogRecord] = queue.Queue(10_000)
    sink = logging.StreamHandler(stream)
    sink.setFormatter(JsonFormatter())
    listener = logging.handlers.QueueListener(waiting, sink)
    listener.start()
    _listeners.append(listener)
    root = logging.getLogger()
    root.handlers[:] = [_Bounded(waiting)]
    root.setLevel(level)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)


def flush_logs() -> None:
    """Write what waits and end; for a process that will not end in the ordinary way."""
    while _listeners:
        _listeners.pop().stop()


class _Bounded(logging.handlers.QueueHandler):
    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        """Keep the record as it is: the listener lives in this process."""
        return record

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the base class's name
        """A full queue drops the line."""
