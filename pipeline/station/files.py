"""
Broker and mail settings with the files they name made absolute: they are relative to the site.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.site.models import Broker, Mail, Site


def broker_of(site: Site) -> Broker:
    """The site's broker; its TLS files as absolute paths."""
    tls = site.broker.tls
    if tls is None:
        return site.broker
    absolute = {name: _absolute(site, value) for name, value in tls.model_dump().items()}
    return site.broker.model_copy(update={"tls": tls.model_copy(update=absolute)})


def mail_of(site: Site) -> Mail | None:
    """The site's mail server, if it has one; its authority's file as an absolute path."""
    if site.mail is None:
        return None
    return site.mail.model_copy(update={"ca_file": _absolute(site, site.mail.ca_file)})


def _absolute(site: Site, name: str | None) -> str | None:
    return None if name is None else str(Path(site.folder) / name)
