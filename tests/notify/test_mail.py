"""
Mail over a real SMTP server on loopback: what arrives, what is refused, and what is said then.
"""

from __future__ import annotations

import time

import pytest

from pipeline.errors import ConfigError
from pipeline.notify.mail import MailDelivery, is_loopback
from pipeline.site.models import Mail
from tests.brokers import free_port
from tests.notify.post_office import PostOffice, black_hole, refusal, serving
from tests.notify.scenario import ADDRESSES, NOW, item, mail, notice


def post(office: PostOffice, settings: Mail | None = None) -> MailDelivery:
    """A delivery through the office."""
    return MailDelivery(settings or mail(office.port), ADDRESSES)


def test_an_accepted_mail_arrives_as_it_was_composed() -> None:
    """Subject, text, sender, recipient and date are the notice's; the detail names the server."""
    with serving(PostOffice()) as office:
        detail = post(office).deliver(item(notice()), NOW)
    message = office.taken[0]

    assert office.recipients == ["wynn@quillmere.example"]
    assert message["Subject"] == notice().subject
    assert message["From"] == "station@quillmere.example"
    assert message["To"] == "wynn@quillmere.example"
    assert message["Date"].datetime.isoformat() == "2027-07-01T12:03:05+00:00"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message.get_content().replace("\r\n", "\n") == notice().body
    assert detail == ("accepted by 127.0.0.1 for wynn@quillmere.example, " + message["Message-ID"])


def test_a_repeat_has_the_message_id_of_the_first_and_another_notice_has_not() -> None:
    """Who gets a notice twice can see that it is the same one."""
    with serving(PostOffice()) as office:
        for told in (item(notice()), item(notice()), item(notice(), number=8)):
            post(office).deliver(told, NOW)
    first, again, other = (message["Message-ID"] for message in office.taken)

    assert first == again == f"<quillmere.7.{NOW}@quillmere.example>"
    assert other == f"<quillmere.8.{NOW}@quillmere.example>"


@pytest.mark.parametrize("break_line", ["\r\n", "\n", "\r", "\u2028", "\x0b", "\x85"])
def test_a_name_with_a_line_break_adds_no_header(break_line: str) -> None:
    """A gauge or point name that ends a line is told in one line, and adds no header."""
    name = f"D3{break_line}Bcc: all@elsewhere.example{break_line}{break_line}forged text"
    with serving(PostOffice()) as office:
        post(office).deliver(item(notice(subject=f"strain above limit at {name}")), NOW)
    message = office.taken[0]

    assert message["Subject"] == ("strain above limit at D3 Bcc: all@elsewhere.example forged text")
    assert message["Bcc"] is None
    assert office.recipients == ["wynn@quillmere.example"]
    assert message.get_content().replace("\r\n", "\n") == notice().body


def test_a_structure_with_a_line_break_adds_no_header() -> None:
    """The message's own number is made of letters and digits only."""
    hostile = notice(facts={"structure": "quill\r\nBcc: all@elsewhere.example"})
    with serving(PostOffice()) as office:
        post(office).deliver(item(hostile), NOW)

    assert office.taken[0]["Bcc"] is None
    assert office.recipients == ["wynn@quillmere.example"]


@pytest.mark.parametrize(
    "address",
    ["wynn@a.example\r\nBcc: all@elsewhere.example", "wynn@a.example, all@b.example", "wynn", " "],
)
def test_what_is_not_one_address_is_refused_for_good(address: str) -> None:
    """A second recipient or a header cannot come in through an address."""
    with serving(PostOffice()) as office:
        delivery = MailDelivery(mail(office.port), {"w.tarrant": address})
        error = refusal(delivery, notice())

    assert error.permanent
    assert "Correct it in site.toml" in str(error)
    assert office.taken == []


def test_a_person_without_address_is_refused_for_good() -> None:
    """Nothing is sent to nobody, and the message says what is missing."""
    error = refusal(MailDelivery(mail(), {}), notice())

    assert error.permanent
    assert str(error) == ('mail: person "w.tarrant" has no mail address. Give one in site.toml')


@pytest.mark.parametrize(
    ("answer", "permanent"), [("550 no such mailbox", True), ("450 greylisted", False)]
)
def test_a_refused_recipient_is_noticed(answer: str, permanent: bool) -> None:
    """A 5xx is for good, a 4xx is tried again; the server's own words are told."""
    with serving(PostOffice(refusals={"wynn@quillmere.example": answer})) as office:
        error = refusal(post(office), notice())

    assert error.permanent is permanent
    assert str(error) == (
        f"mail: the mail server refused wynn@quillmere.example: {answer}. "
        "Check the address with its owner"
    )


@pytest.mark.parametrize(
    ("answer", "permanent"), [("554 looks like spam", True), ("452 disk full", False)]
)
def test_a_refused_message_is_noticed(answer: str, permanent: bool) -> None:
    """What the server says after the text counts, not that it took the recipient."""
    with serving(PostOffice(answer=answer)) as office:
        error = refusal(post(office), notice())

    assert error.permanent is permanent
    assert answer in str(error)


def test_a_silent_server_is_given_up_after_the_time_out() -> None:
    """A server that takes the connection and says nothing does not hold the station."""
    with black_hole() as port:
        delivery = MailDelivery(mail(port, timeout_s=0.05), ADDRESSES)
        began = time.monotonic()
        error = refusal(delivery, notice())
        lasted_s = time.monotonic() - began

    assert lasted_s < 1.0
    assert not error.permanent
    assert str(error) == (
        f"mail: 127.0.0.1:{port} does not answer within 0.05 s a step: Connection unexpectedly "
        "closed: timed out. Check the network and mail.host and mail.port"
    )


def test_a_server_that_is_not_there_is_said_with_its_port() -> None:
    """A refused connection is tried again later."""
    port = free_port()
    error = refusal(MailDelivery(mail(port), ADDRESSES), notice())

    assert not error.permanent
    assert f"127.0.0.1:{port} does not answer" in str(error)


def test_text_that_utf8_cannot_hold_is_told_all_the_same() -> None:
    """A lone surrogate in a text costs one character, not the alarm."""
    with serving(PostOffice()) as office:
        post(office).deliver(item(notice(body="strain \ud800 at D3\n")), NOW)

    assert office.taken[0].get_content().strip() == "strain ? at D3"


@pytest.mark.parametrize("host", ["mail.quillmere.example", "192.0.2.7", "::ffff:192.0.2.7"])
def test_an_open_connection_to_another_machine_is_a_mistake(host: str) -> None:
    """Without TLS only a server on this machine is used; the mistake says how to mend it."""
    with pytest.raises(ConfigError) as raised:
        MailDelivery(mail(host=host), ADDRESSES)

    assert (
        f'site.toml, mail.security: found "none" with the server "{host}"; expected "starttls" or '
        '"tls"; "none" only for a server on this machine. Set security = "starttls" (usual with '
        'port 587) or "tls" (port 465).'
    ) in str(raised.value)


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST.", "127.0.0.1", "127.8.9.1", "::1"])
def test_loopback_is_known_by_name_and_number(host: str) -> None:
    """This machine is recognised without asking a name server."""
    assert is_loopback(host)
