"""
Mail over TLS and with a login: trusted, untrusted, stripped, and quiet about the secret.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest

from pipeline.notify.mail import MailDelivery
from tests.certificates import Authority, make_authority
from tests.notify.post_office import PostOffice, refusal, serving
from tests.notify.scenario import ADDRESSES, NOW, item, mail, notice

Security = Literal["starttls", "tls"]
SECRET = "corncrake-17-hawser"


@pytest.fixture(scope="module")
def trusted(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """An authority that the site trusts."""
    return make_authority(tmp_path_factory.mktemp("trusted"))


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """An authority of the same name that nobody trusts."""
    return make_authority(tmp_path_factory.mktemp("stranger"))


def over_tls(
    port: int, security: Security, ca_file: Path, secret: str | None = None
) -> MailDelivery:
    """A delivery that trusts `ca_file`; it logs in when there is a secret."""
    settings = mail(
        port,
        security=security,
        ca_file=str(ca_file),
        username=None if secret is None else "station",
        password_env="QUILLMERE_MAIL_PASSWORD",
    )
    return MailDelivery(settings, ADDRESSES, lambda: secret)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_trusted_server_gets_the_mail_encrypted(trusted: Authority, security: Security) -> None:
    """With the authority in `ca_file` the mail goes through, and never in the open."""
    with serving(PostOffice(), trusted, security=security) as office:
        over_tls(office.port, security, trusted.ca_file).deliver(item(notice()), NOW)

    assert office.were_encrypted == [True]


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_an_untrusted_certificate_is_refused(
    trusted: Authority, stranger: Authority, security: Security
) -> None:
    """A certificate of an unknown authority gets no mail, and the message says what to set."""
    with serving(PostOffice(), stranger, security=security) as office:
        error = refusal(over_tls(office.port, security, trusted.ca_file), notice())

    assert office.taken == []
    assert not error.permanent
    assert "no trusted TLS connection" in str(error)
    assert "set mail.ca_file to the authority that signed it" in str(error)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_for_another_name_is_refused(trusted: Authority, security: Security) -> None:
    """The authority is trusted, but the certificate names 127.0.0.1 and not the host we asked."""
    with serving(PostOffice(), trusted, security=security, host="127.0.0.2") as office:
        named = over_tls(office.port, security, trusted.ca_file).mail
        delivery = MailDelivery(named.model_copy(update={"host": "127.0.0.2"}), ADDRESSES)
        error = refusal(delivery, notice())

    assert office.taken == []
    assert "certificate is not valid for '127.0.0.2'" in str(error)
    assert "Name the server as its certificate does" in str(error)


def test_a_server_without_starttls_gets_nothing(trusted: Authority) -> None:
    """There is no falling back to an open connection, whoever took STARTTLS away."""
    with serving(PostOffice()) as office:
        error = refusal(over_tls(office.port, "starttls", trusted.ca_file), notice())

    assert office.taken == []
    assert "STARTTLS extension not supported by server" in str(error)
    assert "Check [mail] in site.toml" in str(error)


def test_the_right_password_logs_in(trusted: Authority) -> None:
    """The secret comes from its callable at the time of the login."""
    with serving(PostOffice(password=SECRET), trusted, security="starttls") as office:
        over_tls(office.port, "starttls", trusted.ca_file, SECRET).deliver(item(notice()), NOW)

    assert office.logins == ["station"]
    assert len(office.taken) == 1


def test_a_wrong_password_is_told_without_the_secret(trusted: Authority) -> None:
    """A refused login is tried again later, and neither message nor repr shows the secret."""
    with serving(PostOffice(password="another"), trusted, security="starttls") as office:
        delivery = over_tls(office.port, "starttls", trusted.ca_file, SECRET)
        error = refusal(delivery, notice())

    assert str(error) == (
        f'mail: 127.0.0.1:{office.port} refused the login of "station" with code 535. '
        "Check mail.username and the password"
    )
    assert not error.permanent
    assert SECRET not in repr(delivery) + repr(error) + repr(error.__cause__)


def test_a_missing_password_names_the_variable(trusted: Authority) -> None:
    """An unset variable is said by its name."""
    with serving(PostOffice(password=SECRET), trusted, security="starttls") as office:
        error = refusal(over_tls(office.port, "starttls", trusted.ca_file, ""), notice())

    assert str(error) == (
        'mail: no password for the user "station". Set the environment variable '
        "QUILLMERE_MAIL_PASSWORD and start again"
    )


def test_a_missing_authority_file_is_said(trusted: Authority, tmp_path: Path) -> None:
    """A `ca_file` that is not there is a failure to deliver, not a crash."""
    gone = tmp_path / "gone.pem"
    with serving(PostOffice(), trusted, security="starttls") as office:
        error = refusal(over_tls(office.port, "starttls", gone), notice())

    assert str(error).startswith(f"mail: mail.ca_file {gone} cannot be used")
