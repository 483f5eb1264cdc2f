"""
The embedded broker: starts and stops, says what it cannot do, and what to do without it.

What it does for a station is in `test_client`, what it does not in `test_mosquitto`.
"""

from __future__ import annotations

import importlib.util
import logging
import signal
import subprocess
import sys

import pytest

from pipeline.errors import StationError
from pipeline.ingest.embedded import CAUTION, EmbeddedBroker
from tests.brokers import embedded, free_port, is_listening, wait_until


@pytest.mark.slow
def test_port_is_free_again_when_the_broker_was_stopped() -> None:
    """It can be started twice on one port, and listens in between only."""
    port = free_port()
    for _ in range(2):
        with embedded(port):
            assert is_listening(port)
        assert not is_listening(port)


@pytest.mark.slow
def test_caution_is_logged_when_the_broker_starts(caplog: pytest.LogCaptureFixture) -> None:
    """Whoever starts it reads that it keeps next to nothing for an absent consumer."""
    with caplog.at_level(logging.WARNING), embedded():
        pass

    assert "keeps next to nothing for a consumer that is away" in CAUTION
    assert CAUTION in caplog.text


@pytest.mark.slow
def test_start_is_refused_when_the_port_is_taken() -> None:
    """The error names the port and offers another."""
    with embedded() as broker, pytest.raises(StationError) as caught:
        EmbeddedBroker(broker.port).start()

    assert f"cannot listen on 127.0.0.1:{broker.port}" in str(caught.value)
    assert "choose another one with --port" in str(caught.value)


def test_start_is_refused_when_the_package_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The error says how to install it, and what else can be used."""
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(StationError) as caught:
        EmbeddedBroker().start()

    assert str(caught.value) == (
        "the embedded broker needs the package amqtt, which is not installed. Install it with "
        '`pip install "spanwarden[try]"`, or use Mosquitto with ops/mosquitto.conf.'
    )


@pytest.mark.slow
def test_process_ends_well_when_it_gets_sigterm() -> None:
    """As a program it listens, and ends with 0."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.ingest.embedded", "--port", str(port)],
        stderr=subprocess.PIPE,
    )
    try:
        wait_until(lambda: is_listening(port), "the program listens")
        process.send_signal(signal.SIGTERM)
        _, told = process.communicate(timeout=20)
    finally:
        process.kill()

    assert process.returncode == 0
    assert b"keeps next to nothing" in told
