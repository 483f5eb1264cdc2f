"""
Time zone, broker, mail and people: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import SITE
from tests.site.telling import Case, messages, section

CASES = (
    Case(
        "no name",
        [("site.toml", 'name = "Alder crossing"', 'name = ""')],
        [
            (
                'site.toml, line 1, [site], key "name": found an empty text; expected the name '
                "of the site. Write it."
            )
        ],
    ),
    Case(
        "an unknown time zone",
        [("site.toml", "Europe/Dublin", "Europe/Dubln")],
        [
            (
                'site.toml, line 1, [site], key "timezone": found "Europe/Dubln"; expected an '
                'IANA time zone, for example Europe/Dublin. Did you mean "Europe/Dublin"?'
            )
        ],
    ),
    Case(
        "a wildcard in the prefix",
        [("site.toml", 'prefix = "spanwarden"', 'prefix = "site/#"')],
        [
            (
                'site.toml, line 5, [broker], key "prefix": found "site/#"; expected topic '
                "levels without + # and without a / at either end. Write for example prefix = "
                '"spanwarden".'
            )
        ],
    ),
    Case(
        "a password without a user",
        [("site.toml", "port = 1883", 'port = 1883\npassword_env = "ALDER_PASSWORD"')],
        [
            (
                'site.toml, line 5, [broker], key "username": found no such key; expected a '
                "user beside password_env. Add username, or take password_env out."
            )
        ],
    ),
    Case(
        "a password in the file",
        [("site.toml", "port = 1883", 'port = 1883\nusername = "alder"\npassword = "hunter22"')],
        [
            (
                'site.toml, line 5, [broker], key "password": found an unknown key (value not '
                "shown); expected no secret. A password is never written in a file: take the "
                "key out, put the password into an environment variable or a file, write "
                'password_env = "NAME_OF_THE_VARIABLE", and change the password, since it has '
                "stood in a file."
            )
        ],
    ),
    Case(
        "a password for the variable's name",
        [
            (
                "site.toml",
                "port = 1883",
                'port = 1883\nusername = "alder"\npassword_env = "hunter-22!"',
            )
        ],
        [
            (
                'site.toml, line 5, [broker], key "password_env": found a text (not shown); '
                "expected the name of an environment variable. Write a name such as "
                "ALDER_PASSWORD; the password itself is in no file here."
            )
        ],
    ),
    Case(
        "a TLS file that is not there",
        [("site.toml", "[storage]", '[broker.tls]\nca_file = "ca.pem"\n\n[storage]')],
        [
            (
                'site.toml, line 5, [broker], key "tls.ca_file": found "ca.pem", which is no '
                "file; expected a file. Mend the path; it counts from the folder of site.toml."
            )
        ],
    ),
    Case(
        "a TLS certificate without its key",
        [("site.toml", "[storage]", '[broker.tls]\ncertificate_file = "rules.toml"\n\n[storage]')],
        [
            (
                'site.toml, line 5, [broker], key "tls.key_file": found no such key; expected '
                "a value, since tls.certificate_file is given. Add tls.key_file, or take "
                "tls.certificate_file out."
            )
        ],
    ),
    Case(
        "mail unencrypted to another machine",
        [("site.toml", 'host = "localhost"', 'host = "mail.alder.example"')],
        [
            (
                'site.toml, line 13, [mail], key "security": found "none" with host '
                '"mail.alder.example"; expected starttls or tls to another machine. Use '
                "starttls or tls, or a relay on this machine (localhost)."
            )
        ],
    ),
    Case(
        "a sender that is no address",
        [("site.toml", "station@alder.example", "station")],
        [
            (
                'site.toml, line 13, [mail], key "sender": found "station"; expected a mail '
                "address. Write it as name@domain."
            )
        ],
    ),
    Case(
        "a mail user without a password",
        [("site.toml", "port = 2525", 'port = 2525\nusername = "alder"')],
        [
            (
                'site.toml, line 13, [mail], key "password_env": found no such key; expected a '
                "value, since username is given. Add password_env, or take username out."
            )
        ],
    ),
    Case(
        "mail to somebody without an address",
        [("site.toml", 'email = "ines@alder.example"\n', "")],
        [
            (
                'site.toml, line 30, person "ines", key "email": found no such key; expected '
                'an address for delivery by mail. Add email = "…", or take mail out of the '
                "deliveries."
            )
        ],
    ),
    Case(
        "mail without a server",
        [("site.toml", section(SITE, "[mail]", "[[structure]]"), "")],
        [
            (
                'site.toml, line 24, person "ines", key "deliveries": found mail, but '
                "site.toml has no [mail]; expected a mail server. Add [mail] to site.toml, or "
                "take mail out of the deliveries."
            )
        ],
    ),
    Case(
        "nobody who may acknowledge",
        [("site.toml", '["engineer"]', '["viewer"]'), ("site.toml", '["operator"]', '["viewer"]')],
        [
            (
                "site.toml, [[person]]: found no operator or engineer; expected somebody who "
                "may acknowledge an alarm. Give at least one person the role operator or "
                "engineer."
            )
        ],
    ),
    Case(
        "a person without a delivery",
        [("site.toml", 'deliveries = ["log"]', "deliveries = []")],
        [
            (
                'site.toml, line 37, person "tomas", key "deliveries": found an empty list; '
                'expected deliveries, each once. Write for example ["mail", "log"].'
            )
        ],
    ),
    Case(
        "no hosts",
        [
            ("site.toml", 'host = "127.0.0.1"', 'host = ""'),
            ("site.toml", 'host = "localhost"', 'host = " "'),
            ("site.toml", '"none"', '"tls"'),
        ],
        [
            (
                'site.toml, line 5, [broker], key "host": found an empty text; expected the '
                "broker's host. Write it."
            ),
            (
                'site.toml, line 13, [mail], key "host": found an empty text; expected the '
                "mail server's host. Write it."
            ),
        ],
    ),
    Case(
        "an address without a domain",
        [("site.toml", '"ines@alder.example"', '"ines"')],
        [
            (
                'site.toml, line 30, person "ines", key "email": found "ines"; expected a mail '
                "address. Write it as name@domain."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
