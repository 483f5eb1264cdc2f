"""
The worker's local socket: commands in, answers out, nothing for strangers.
"""

import json
import socket
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.errors import StationError
from pipeline.station.control import Answers, ControlServer, ask_worker

COMMAND: dict[str, object] = {"kind": "ack", "alarm": "deck.P1", "by": "ines", "comment": "seen"}


@contextmanager
def serving(folder: Path, obey: Callable[[dict[str, object], Answers], None]) -> Iterator[Path]:
    """A socket whose machine is `obey`."""
    answers = Answers()
    path = folder / "worker.sock"
    server = ControlServer(path, lambda payload: obey(json.loads(payload), answers), answers)
    try:
        yield path
    finally:
        server.close()


def agree(facts: dict[str, object], answers: Answers) -> None:
    """Answer as the machine's thread would, from another thread."""
    request = str(facts["request"])
    threading.Thread(target=answers.give, args=(request, True, f"{facts['alarm']} done")).start()


def test_a_command_comes_back_with_the_machines_answer(tmp_path: Path) -> None:
    """What the machine answers is what the person reads."""
    with serving(tmp_path, agree) as path:
        ok, text = ask_worker(path, COMMAND)

    assert (ok, text) == (True, "deck.P1 done")


def test_the_socket_is_for_its_user_alone(tmp_path: Path) -> None:
    """Nobody else may write to it: mode 0600; and it is gone after `close`."""
    with serving(tmp_path, agree) as path:
        mode = stat.S_IMODE(path.stat().st_mode)

    assert mode == 0o600
    assert not path.exists()


@pytest.mark.parametrize(
    "line",
    [
        b"\n",
        b"nonsense\n",
        b"[1, 2]\n",
        b'{"kind": "ack"}\n',
        b'{"kind":"ack","alarm":"a","by":"x","comment":"","request":"mine"}\n',
    ],
)
def test_a_malformed_command_is_refused_and_never_submitted(tmp_path: Path, line: bytes) -> None:
    """A line that is no command, or brings fields of the worker's own, is answered with why."""
    submitted: list[object] = []
    with (
        serving(tmp_path, lambda facts, answers: submitted.append(facts)) as path,
        socket.socket(socket.AF_UNIX) as link,
    ):
        link.connect(str(path))
        link.sendall(line)
        answer = json.loads(link.makefile().readline())

    assert not answer["ok"]
    assert "a command" in answer["text"]
    assert submitted == []


def test_without_a_worker_the_error_says_what_to_do(tmp_path: Path) -> None:
    """No socket, no silence: the message names the remedy."""
    with pytest.raises(StationError) as caught:
        ask_worker(tmp_path / "none.sock", COMMAND)

    assert "Start it with `spanwarden run`" in str(caught.value)


def test_an_answer_that_does_not_come_is_told(tmp_path: Path) -> None:
    """A request that the machine never answers ends with a text, and is forgotten."""
    answers = Answers()
    answers.expect("r")

    ok, text = answers.wait("r", 0.01)

    assert not ok
    assert "did not answer" in text
    answers.give("r", True, "too late")  # must not raise
