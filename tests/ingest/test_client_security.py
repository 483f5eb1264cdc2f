"""
TLS and passwords with a real broker: what is let in, what is refused, and what a person reads.

Certificates are made for the test by an authority that exists as long as it runs.
"""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import StationError
from pipeline.ingest.client import BrokerClient
from pipeline.site.models import Broker, Tls
from tests.brokers import mosquitto
from tests.certificates import make_authority
from tests.ingest.stations import FakeSpool, publisher, running, wait_for, wait_subscribed

pytestmark = [pytest.mark.broker, pytest.mark.slow]
ASKED = {"username": "mill", "password_env": "MILL_PASSWORD"}


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_come_over_tls_when_the_authority_is_ours(tmp_path: Path, protocol: str) -> None:
    """With the authority's file and the right password everything works as without."""
    authority = make_authority(tmp_path / "ca")
    secured: dict[str, Any] = {
        "broker": {**ASKED, "tls": Tls(ca_file=str(authority.ca_file))},
        "environ": {"MILL_PASSWORD": "right"},
        "protocol": protocol,
    }
    spool = FakeSpool()
    user = ("mill", "right")
    with (
        mosquitto(tmp_path / "broker", tls=authority, password=user) as broker,
        running(spool, broker, **secured) as client,
        publisher(broker, ca_file=str(authority.ca_file), user=user) as sender,
    ):
        wait_subscribed(client)
        sender.send([b"1", b"2"])
        wait_for(client, lambda seen: seen.acknowledged == 2, "2 acknowledged")

    assert spool.payloads() == [b"1", b"2"]


# paho leaves the socket of a failed handshake to the collector, which warns.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_broker_is_not_trusted_when_its_authority_is_foreign(tmp_path: Path) -> None:
    """A certificate of another authority ends the attempt, and the fault says why."""
    ours, foreign = (make_authority(tmp_path / name, name) for name in ("ours", "foreign"))
    options = {"broker": {"tls": Tls(ca_file=str(ours.ca_file))}}
    with (
        mosquitto(tmp_path / "broker", tls=foreign) as broker,
        running(FakeSpool(), broker, **options) as client,
    ):
        seen = wait_for(client, lambda seen: seen.fault, "a fault")

        assert client.is_alive()
    del client
    gc.collect()  # here, where its warning is expected, not in a later test
    assert "certificate verify failed" in (seen.fault or "")
    assert "host, port and tls are right" in (seen.fault or "")
    assert not seen.is_connected


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_wrong_password_is_told_when_the_broker_refuses(tmp_path: Path, protocol: str) -> None:
    """The endless retry is visible: count, reason and what to compare; the password is not."""
    options: dict[str, Any] = {
        "broker": ASKED,
        "environ": {"MILL_PASSWORD": "wrong-4711"},
        "protocol": protocol,
    }
    with (
        mosquitto(tmp_path, password=("mill", "right")) as broker,
        running(FakeSpool(), broker, **options) as client,
    ):
        seen = wait_for(client, lambda seen: seen.refused_connections > 0, "a refusal")

        assert client.is_alive()
    assert seen.fault is not None
    assert (
        f"broker {broker.host}:{broker.port} refuses the connection: Not authorized" in seen.fault
    )
    assert 'asked with user "mill": compare username and password_env in site.toml' in seen.fault
    assert "4711" not in repr(seen)


def client_of(broker: Broker) -> BrokerClient:
    """A client that is never started."""
    return BrokerClient("mill", broker, FakeSpool(), clock=lambda: 0, environ={})


def test_client_is_refused_when_the_password_is_not_set() -> None:
    """The error names the variable and where it belongs."""
    with pytest.raises(StationError) as caught:
        client_of(Broker(host="127.0.0.1", username="mill", password_env="MILL_PASSWORD"))

    assert 'expected in the environment variable "MILL_PASSWORD", which is not set.' in str(
        caught.value
    )


def test_client_is_refused_when_a_tls_file_is_missing_or_wrong(tmp_path: Path) -> None:
    """The error names the file and what it should be."""
    text = tmp_path / "ca.pem"
    text.write_text("not a certificate")
    for path, told in ((tmp_path / "none.pem", "is missing or cannot be read"), (text, "PEM")):
        with pytest.raises(StationError) as caught:
            client_of(Broker(host="127.0.0.1", tls=Tls(ca_file=str(path))))

        assert str(path) in str(caught.value)
        assert told in str(caught.value)
