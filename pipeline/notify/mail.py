"""
Tells by mail: one message a notice through the site's mail server, on a connection of its own.

Told means that the server answered the whole message with 250. Whatever happens after that, even
a broken goodbye, does not make it untold.
"""

from __future__ import annotations

import contextlib
import ipaddress
import smtplib
import ssl
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from pipeline.errors import ConfigError, DeliveryError, Mistake
from pipeline.notify.wording import EPOCH, one_line
from pipeline.site.models import Mail
from pipeline.store.ledger import OutboxItem


@dataclass(frozen=True)
class MailDelivery:
    """
    Mails through the server that `mail` names.

    Args:
        mail: server, security and sender. `security` "none" is refused unless the host is this
            machine, since anybody on the way could read or change an alarm.
        addresses: mail address of each recipient (person's id).
        password: gives the secret at each login and None where there is none; it is called late
            so that nothing keeps the secret.

    Raises:
        ConfigError: `security` "none" towards another machine.
    """

    mail: Mail
    addresses: Mapping[str, str]
    password: Callable[[], str | None] = field(default=lambda: None, repr=False)
    name: str = "mail"

    def __post_init__(self) -> None:
        if self.mail.security == "none" and not is_loopback(self.mail.host):
            mistake = Mistake(
                "site.toml",
                "mail.security",
                f'"none" with the server "{self.mail.host}"',
                '"starttls" or "tls"; "none" only for a server on this machine',
                'Set security = "starttls" (usual with port 587) or "tls" (port 465).',
            )
            raise ConfigError((mistake,))

    def deliver(self, item: OutboxItem, now_us: int) -> str:
        """See `Delivery.deliver`; each step of the talk has `mail.timeout_s`."""
        address = self.addresses.get(item.notice.recipient)
        if not address:
            raise self._refused(
                f'person "{item.notice.recipient}" has no mail address. Give one in site.toml',
                permanent=True,
            )
        message = self._message(item, address)
        with self._errors_told(address), self._connection() as server:
            refused = server.send_message(message, self.mail.sender, [address])
        if refused:
            code, text = next(iter(refused.values()))
            raise self._refused(_answer(code, text, address), permanent=code >= 500)
        return f"accepted by {self.mail.host} for {address}, {message['Message-ID']}"

    def _message(self, item: OutboxItem, address: str) -> EmailMessage:
        message = EmailMessage(policy=SMTP)
        domain = self.mail.sender.rpartition("@")[2]
        structure = str(item.notice.facts.get("structure", "")) or "station"
        token = "".join(c if c.isascii() and c.isalnum() else "-" for c in structure)
        try:
            message["From"] = Address(addr_spec=self.mail.sender)
            message["To"] = Address(addr_spec=address)
            # Made from the outbox alone: a notice told twice comes with the same id.
            message["Message-ID"] = f"<{token}.{item.id}.{item.created_us}@{domain}>"
        except (ValueError, IndexError, MessageError) as error:
            raise self._refused(
                f'"{one_line(address)}" or the sender "{one_line(self.mail.sender)}" is not a '
                "mail address. Correct it in site.toml",
                permanent=True,
            ) from error
        message["Subject"] = one_line(item.notice.subject)
        message["Date"] = format_datetime(EPOCH + timedelta(microseconds=item.created_us))
        # RFC 3834: keeps out-of-office programs from answering.
        message["Auto-Submitted"] = "auto-generated"
        message.set_content(item.notice.body.encode(errors="replace").decode())
        return message

    @contextlib.contextmanager
    def _connection(self) -> Iterator[smtplib.SMTP]:
        mail = self.mail
        # Not smtplib's default, the machine's full name: asking for it can hang without DNS.
        own_name = mail.sender.rpartition("@")[2]
        server: smtplib.SMTP
        if mail.security == "tls":
            server = smtplib.SMTP_SSL(
                mail.host, mail.port, own_name, timeout=mail.timeout_s, context=self._context()
            )
        else:
            server = smtplib.SMTP(mail.host, mail.port, own_name, timeout=mail.timeout_s)
        try:
            if mail.security == "starttls":
                server.starttls(context=self._context())
            if mail.username is not None:
                server.login(mail.username, self._secret())
            yield server
            # The message is accepted by now: a server that is rude at the end changes nothing.
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()
        finally:
            server.close()

    def _context(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=self.mail.ca_file)
        except OSError as error:
            raise self._refused(
                f"mail.ca_file {self.mail.ca_file} cannot be used: {error}. Give the path of a "
                "PEM file that the station's user may read"
            ) from error

    def _secret(self) -> str:
        try:
            secret = self.password()
        except ConfigError as error:
            raise self._refused(str(error)) from error
        if not secret:
            raise self._refused(
                f'no password for the user "{self.mail.username}". Set the environment variable '
                f"{self.mail.password_env or 'named by mail.password_env'} and start again"
            )
        return secret

    @contextlib.contextmanager
    def _errors_told(self, address: str) -> Iterator[None]:
        """What the server, the network or TLS says, as a DeliveryError with a remedy."""
        where = f"{self.mail.host}:{self.mail.port}"
        try:
            yield
        except smtplib.SMTPRecipientsRefused as error:
            code, text = next(iter(error.recipients.values()))
            raise self._refused(_answer(code, text, address), permanent=code >= 500) from error
        except smtplib.SMTPAuthenticationError as error:
            raise self._refused(
                f'{where} refused the login of "{self.mail.username}" with code '
                f"{error.smtp_code}. Check mail.username and the password",
            ) from error
        except smtplib.SMTPDataError as error:
            raise self._refused(
                _answer(error.smtp_code, error.smtp_error, address),
                permanent=error.smtp_code >= 500,
            ) from error
        except smtplib.SMTPServerDisconnected as error:
            raise self._refused(self._out_of_reach(error)) from error
        except smtplib.SMTPException as error:
            # Not permanent even with a 5xx: sender, greeting and STARTTLS concern the server as
            # a whole and can be mended while the notice waits.
            raise self._refused(f"{where}: {error}. Check [mail] in site.toml") from error
        except ssl.SSLError as error:
            raise self._refused(
                f"{where}: no trusted TLS connection: {error}. Name the server as its certificate "
                "does, or set mail.ca_file to the authority that signed it"
            ) from error
        except (OSError, UnicodeError) as error:
            raise self._refused(self._out_of_reach(error)) from error

    def _out_of_reach(self, error: Exception) -> str:
        return (
            f"{self.mail.host}:{self.mail.port} does not answer within {self.mail.timeout_s:g} s a "
            f"step: {error or type(error).__name__}. Check the network and mail.host and mail.port"
        )

    def _refused(self, detail: str, *, permanent: bool = False) -> DeliveryError:
        return DeliveryError(self.name, one_line(detail), permanent=permanent)


def is_loopback(host: str) -> bool:
    """Whether `host` is this machine by its name alone; no name is looked up."""
    if host.lower().rstrip(".") == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _answer(code: int, text: bytes | str, address: str) -> str:
    said = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return f"the mail server refused {address}: {code} {said}. Check the address with its owner"
