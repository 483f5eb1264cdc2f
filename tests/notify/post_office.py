"""
A real SMTP server on loopback for the mail tests, with faults as part of its settings.
"""

from __future__ import annotations

import contextlib
import random
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword, Session

from pipeline.errors import DeliveryError
from pipeline.notify.delivery import Delivery
from pipeline.store.ledger import Notice
from tests.brokers import free_port
from tests.certificates import Authority
from tests.notify.scenario import NOW, item

HOST = "127.0.0.1"


@dataclass
class PostOffice:
    """
    What a server took, and when it refuses.

    `refusals` gives an answer to the RCPT of an address, `faults` decides for each message with a
    seeded generator: half of them fail, some after the message was taken but before the answer.
    """

    refusals: dict[str, str] = field(default_factory=dict)
    faults: random.Random | None = None
    answer: str = "250 taken"
    password: str = ""
    port: int = 0
    taken: list[EmailMessage] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    logins: list[str] = field(default_factory=list)
    were_encrypted: list[bool] = field(default_factory=list)

    async def handle_RCPT(  # noqa: N802 - the name that the server library calls
        self, _server: Any, _session: Session, envelope: Envelope, address: str, _options: Any
    ) -> str:
        """Take the recipient, or answer as `refusals` says."""
        if address in self.refusals:
            return self.refusals[address]
        envelope.rcpt_tos.append(address)
        return "250 known"

    async def handle_DATA(  # noqa: N802 - the name that the server library calls
        self, server: Any, _session: Session, envelope: Envelope
    ) -> str:
        """Keep the message, unless this one's lot is to fail."""
        lot = self.faults.random() if self.faults else 1.0
        if lot < 0.25:
            return "451 try later"
        assert isinstance(envelope.content, bytes)
        self.taken.append(BytesParser(EmailMessage, policy=default).parsebytes(envelope.content))
        self.recipients += envelope.rcpt_tos
        self.were_encrypted.append(server.transport.get_extra_info("sslcontext") is not None)
        if lot < 0.5:
            server.transport.abort()
        return self.answer

    def authenticate(
        self, _server: Any, _session: Any, _envelope: Any, _mechanism: str, login: Any
    ) -> AuthResult:
        """Let in who knows the password."""
        assert isinstance(login, LoginPassword)
        self.logins.append(login.login.decode())
        return AuthResult(success=login.password.decode() == self.password, handled=False)


@contextlib.contextmanager
def serving(
    office: PostOffice,
    authority: Authority | None = None,
    *,
    security: str = "none",
    host: str = HOST,
) -> Iterator[PostOffice]:
    """
    The office behind a listening server, its `port` set.

    Args:
        office: gets what is sent.
        authority: whose server certificate is shown; needed with TLS.
        security: `none`, `starttls` (demanded) or `tls` (from the first byte).
        host: loopback address to listen on.
    """
    office.port = free_port()
    settings: dict[str, Any] = {"hostname": host, "port": office.port}
    if authority is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(authority.server_certificate, authority.server_key)
        if security == "tls":
            settings["ssl_context"] = context
        else:
            settings |= {"tls_context": context, "require_starttls": True}
    if office.password:
        settings |= {"authenticator": office.authenticate, "auth_required": True}
    controller = Controller(office, **settings)
    controller.start()
    try:
        yield office
    finally:
        controller.stop()


def refusal(delivery: Delivery, told: Notice) -> DeliveryError:
    """With what error the delivery refuses the notice, which it must."""
    with pytest.raises(DeliveryError) as raised:
        delivery.deliver(item(told), NOW)
    return raised.value


@contextlib.contextmanager
def black_hole() -> Iterator[int]:
    """Port of a server that takes connections and never says a word."""
    with socket.socket() as listener:
        listener.bind((HOST, 0))
        listener.listen(16)
        yield int(listener.getsockname()[1])
