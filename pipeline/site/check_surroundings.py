"""
Time zone, broker, mail and people: what the station needs round it before it can tell anybody.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pipeline.errors import ConfigError, Mistake
from pipeline.site.located import Located, did_you_mean
from pipeline.site.lookup import Lookup
from pipeline.site.secrets import secret

_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
_EXAMPLES = {"roles": '"operator"', "deliveries": '"mail", "log"'}
_ADDRESS = re.compile(r"[^@\s<>,;:\"]+@[^@\s<>,;:\"]+")


def check_site(lookup: Lookup) -> Iterator[Mistake]:
    """The site has a name and a time zone that exists."""
    site = lookup.parts.site
    if site is None:
        return
    if not site.item.name.strip():
        yield site.mistake("name", "an empty text", "the name of the site", "Write it.")
    try:
        ZoneInfo(site.item.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        remedy = did_you_mean(site.item.timezone, available_timezones() - {"localtime"})
        expected = "an IANA time zone, for example Europe/Dublin"
        yield site.mistake("timezone", f'"{site.item.timezone}"', expected, remedy)


def check_broker(lookup: Lookup) -> Iterator[Mistake]:
    """Host and topic prefix are usable, user and password come together, TLS files are there."""
    broker = lookup.parts.broker
    if broker is None:
        return
    one = broker.item
    if not one.host.strip():
        yield broker.mistake("host", "an empty text", "the broker's host", "Write it.")
    if not one.prefix or re.search(r"[+#\x00]|^/|/$|//|^\$", one.prefix):
        expected = "topic levels without + # and without a / at either end"
        remedy = 'Write for example prefix = "spanwarden".'
        yield broker.mistake("prefix", f'"{one.prefix}"', expected, remedy)
    if one.password_env is not None and one.username is None:
        remedy = "Add username, or take password_env out."
        yield broker.mistake("username", "no such key", "a user beside password_env", remedy)
    if one.tls is not None:
        yield from _pair(broker, "tls.certificate_file", "tls.key_file")
        for key in ("ca_file", "certificate_file", "key_file"):
            yield from _file(lookup.parts.folder, broker, f"tls.{key}", getattr(one.tls, key))


def check_mail(lookup: Lookup) -> Iterator[Mistake]:
    """Mail goes unencrypted only to this machine, from an address, with user and password."""
    mail = lookup.parts.mail
    if mail is None:
        return
    one = mail.item
    if not one.host.strip():
        yield mail.mistake("host", "an empty text", "the mail server's host", "Write it.")
    if one.security == "none" and not _is_loopback(one.host):
        found = f'"none" with host "{one.host}"'
        remedy = "Use starttls or tls, or a relay on this machine (localhost)."
        expected = "starttls or tls to another machine"
        yield mail.mistake("security", found, expected, remedy)
    if not _ADDRESS.fullmatch(one.sender):
        remedy = "Write it as name@domain."
        yield mail.mistake("sender", f'"{one.sender}"', "a mail address", remedy)
    yield from _pair(mail, "username", "password_env")
    yield from _file(lookup.parts.folder, mail, "ca_file", one.ca_file)


def check_people(lookup: Lookup) -> Iterator[Mistake]:
    """Whoever is told can be reached, and somebody may acknowledge."""
    parts = lookup.parts
    for person in parts.people:
        one = person.item
        for key in ("roles", "deliveries"):
            given = getattr(one, key)
            if not given or len(set(given)) < len(given):
                found = "an empty list" if not given else "one of them twice"
                expected, remedy = f"{key}, each once", f"Write for example [{_EXAMPLES[key]}]."
                yield person.mistake(key, found, expected, remedy)
        if one.email is not None and not _ADDRESS.fullmatch(one.email):
            remedy = "Write it as name@domain."
            yield person.mistake("email", f'"{one.email}"', "a mail address", remedy)
        if "mail" in one.deliveries and one.email is None:
            remedy = 'Add email = "…", or take mail out of the deliveries.'
            expected = "an address for delivery by mail"
            yield person.mistake("email", "no such key", expected, remedy)
        if "mail" in one.deliveries and parts.mail is None and "mail" not in parts.incomplete:
            remedy = "Add [mail] to site.toml, or take mail out of the deliveries."
            found, expected = "mail, but site.toml has no [mail]", "a mail server"
            yield person.mistake("deliveries", found, expected, remedy)
    if parts.people and "person" not in parts.incomplete:
        roles = {role for person in parts.people for role in person.item.roles}
        if not roles & {"operator", "engineer"}:
            found, expected = "no operator or engineer", "somebody who may acknowledge an alarm"
            remedy = "Give at least one person the role operator or engineer."
            yield Mistake(parts.path("site.toml"), "[[person]]", found, expected, remedy)


def check_secrets(lookup: Lookup, environ: Mapping[str, str] | None) -> Iterator[Mistake]:
    """password_env names a variable; that it is set is checked only when `environ` is given."""
    for located in (lookup.parts.broker, lookup.parts.mail):
        name = located.item.password_env if located is not None else None
        if located is None or name is None:
            continue
        if not _VARIABLE.fullmatch(name):
            # It may be the password itself: it must not come out in a log.
            found, expected = "a text (not shown)", "the name of an environment variable"
            remedy = "Write a name such as ALDER_PASSWORD; the password itself is in no file here."
            yield located.mistake("password_env", found, expected, remedy)
        elif environ is not None:
            try:
                secret(name, environ)
            except ConfigError as error:
                yield from error.mistakes


def _pair(located: Located[Any], first: str, second: str) -> Iterator[Mistake]:
    values = []
    for key in (first, second):
        value = located.item
        for part in key.split("."):
            value = getattr(value, part)
        values.append(value)
    if (values[0] is None) != (values[1] is None):
        given, lacking = (first, second) if values[1] is None else (second, first)
        remedy = f"Add {lacking}, or take {given} out."
        yield located.mistake(lacking, "no such key", f"a value, since {given} is given", remedy)


def _file(folder: Path, located: Located[Any], key: str, name: str | None) -> Iterator[Mistake]:
    if name is not None and not (folder / name).is_file():
        remedy = "Mend the path; it counts from the folder of site.toml."
        yield located.mistake(key, f'"{name}", which is no file', "a file", remedy)


def _is_loopback(host: str) -> bool:
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
