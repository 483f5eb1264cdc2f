"""
The worker's local socket: a command with a name attached goes in, the machine's answer comes out.

One JSON line each way; the socket belongs to the station's user alone (mode 0600).
"""

from __future__ import annotations

import json
import logging
import os
import socket
import socketserver
import threading
import uuid
from collections.abc import Callable
from pathlib import Path

import msgspec

from pipeline.alarms.engine import Command
from pipeline.errors import StationError

log = logging.getLogger("spanwarden.control")

ANSWER_TIMEOUT_S = 15.0
LONGEST_LINE = 64 * 1024
FIELDS = frozenset({"kind", "alarm", "by", "comment", "until_us"})


class Answers:
    """Waiting requests by id; the machine's thread answers, the socket's threads wait."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[str, tuple[threading.Event, list[tuple[bool, str]]]] = {}

    def expect(self, request: str) -> None:
        """Announce a request before it is submitted."""
        with self._lock:
            self._waiting[request] = (threading.Event(), [])

    def give(self, request: str, ok: bool, text: str) -> None:
        """Answer a request; one that nobody waits for is left alone."""
        with self._lock:
            waiting = self._waiting.get(request)
        if waiting:
            waiting[1].append((ok, text))
            waiting[0].set()

    def wait(self, request: str, timeout_s: float) -> tuple[bool, str]:
        """The answer, or a refusal that says that none came in time."""
        event, found = self._waiting[request]
        event.wait(timeout_s)
        with self._lock:
            del self._waiting[request]
        late = f"the worker did not answer within {timeout_s:.0f} s. Look at `alarms list`."
        return found[0] if found else (False, late)


class ControlServer:
    """
    Listens on `path` until `close`.

    Args:
        path: of the socket; a stale one is replaced.
        submit: takes the JSON payload of a COMMAND record; returns when it is in the spool.
        answers: where the machine's thread puts its answers.
    """

    def __init__(self, path: Path, submit: Callable[[bytes], None], answers: Answers) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        self.path = path

        class Line(socketserver.StreamRequestHandler):
            timeout = ANSWER_TIMEOUT_S

            def handle(self) -> None:
                ok, text = _serve(self.rfile.readline(LONGEST_LINE), submit, answers)
                self.wfile.write(json.dumps({"ok": ok, "text": text}).encode() + b"\n")

        before = os.umask(0o177)
        try:
            self._server = socketserver.ThreadingUnixStreamServer(str(path), Line)
        finally:
            os.umask(before)
        self._server.daemon_threads = True
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.2}, name="control"
        )
        self._thread.start()

    def close(self) -> None:
        """Stop listening and remove the socket."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
        self.path.unlink(missing_ok=True)


def _serve(line: bytes, submit: Callable[[bytes], None], answers: Answers) -> tuple[bool, str]:
    try:
        asked = json.loads(line)
    except ValueError:
        asked = None
    if not isinstance(asked, dict):
        return False, "a command is one JSON object on one line."
    if set(asked) - FIELDS or not {"kind", "alarm", "by", "comment"} <= set(asked):
        return False, f"a command has the fields {', '.join(sorted(FIELDS))}."
    try:
        Command.from_facts(asked)
    except msgspec.ValidationError as error:
        return False, f"a command cannot be that: {error}."
    request = uuid.uuid4().hex
    answers.expect(request)
    submit(json.dumps({"until_us": None, **asked, "request": request}).encode())
    return answers.wait(request, ANSWER_TIMEOUT_S)


def ask_worker(path: Path, command: dict[str, object]) -> tuple[bool, str]:
    """
    Send a command to the running worker and wait for its answer.

    Raises:
        StationError: no worker listens there.
    """
    line = json.dumps(command).encode() + b"\n"
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(ANSWER_TIMEOUT_S + 5)
            link.connect(str(path))
            link.sendall(line)
            answer = json.loads(link.makefile("rb").readline(LONGEST_LINE))
    except (OSError, ValueError) as error:
        raise StationError(
            f"the worker does not answer on its local socket ({error}). Start it with "
            "`spanwarden run`, as the same user, and try again."
        ) from error
    return bool(answer["ok"]), str(answer["text"])
