"""
Examines the box that a station runs on: package, clock, disk, broker, mail, and the station itself.
"""

from __future__ import annotations

import fcntl
import os
import smtplib
import socket
import ssl
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Literal

from pipeline.errors import SpanwardenError, StorageError
from pipeline.ingest.canary import probe_broker
from pipeline.site.models import Mail, Site, Structure
from pipeline.station.clock import EARLIEST_US
from pipeline.station.clock_quality import clock_quality
from pipeline.station.files import broker_of, mail_of
from pipeline.station.health import free_mb
from pipeline.station.jobs import LAST_SEAL
from pipeline.station.layout import Layout, layout_of
from pipeline.store.durable import replace_durably
from pipeline.store.ledger import LedgerReader, open_reader

US = 1_000_000
# A sync slower than this makes the group commit, and so the acknowledgement, wait.
SLOW_SYNC_S = 0.5
EXPIRES_SOON = timedelta(days=30)
UNSENT_US = 900 * US

BROKER_FAULTS = {
    "connect": "cannot be used",
    "subscribe": "refuses the subscription",
    "publish": "does not confirm what is sent",
    "keeps": "does not keep messages for a station that is away",
}

Verdict = Literal["good", "attention", "wrong"]


@dataclass(frozen=True)
class Finding:
    """One thing that was examined; `remedy` says what to do and is empty when it is good."""

    verdict: Verdict
    what: str
    found: str
    remedy: str = ""


def examine(
    site: Site, structures: Sequence[Structure], environ: Mapping[str, str], *, with_canary: bool
) -> list[Finding]:
    """
    Everything that can be examined from outside the worker; changes nothing of the station's.

    Args:
        site: read without mistakes.
        structures: those to look at.
        environ: where passwords come from.
        with_canary: whether to test what the broker keeps for an absent client.
    """
    found = [_package(), *_configuration(structures), _clock()]
    found += _disk(site, layout_of(site, structures[0].id).data)
    found += _broker(site, environ, with_canary=with_canary)
    mail = mail_of(site)
    if mail is not None:
        found.append(_mail(mail))
    for structure in structures:
        found += _station(structure, layout_of(site, structure.id))
    return found


def _package() -> Finding:
    owners = sorted(set(packages_distributions().get("pipeline", [])))
    bits = 64 if sys.maxsize > 2**32 else 32
    if owners not in ([], ["spanwarden"]) or bits != 64:
        return Finding(
            "wrong",
            "package",
            f"`pipeline` belongs to {', '.join(owners)}; {bits}-bit Python",
            "Install Spanwarden into an environment of its own, on a 64-bit system.",
        )
    python = ".".join(map(str, sys.version_info[:3]))
    return Finding("good", "package", f"the right `pipeline` is imported, Python {python}")


def _configuration(structures: Sequence[Structure]) -> Iterator[Finding]:
    now = datetime.now(UTC)
    for structure in structures:
        used = {p.calibration for p in structure.placements if p.valid_to is None}
        newest = {c.id: c for c in sorted(structure.calibrations, key=lambda c: c.valid_from)}
        stale = [c for c in newest.values() if c.id in used and c.expires < now + EXPIRES_SOON]
        zeroed = {z.serial for z in structure.zeros}
        unzeroed = [
            p.serial
            for p in structure.placements
            if p.valid_to is None and p.wiring != "linear" and p.serial not in zeroed
        ]
        what = f"configuration of {structure.id}"
        if stale:
            ends = ", ".join(f"{c.id} ({c.expires.date()})" for c in stale)
            yield Finding(
                "attention", what, f"calibrations end or have ended: {ends}", "Calibrate again."
            )
        if unzeroed:
            yield Finding(
                "attention",
                what,
                f"never zeroed, so relative only: {', '.join(unzeroed)}",
                "Take the zero while the member is at a known strain.",
            )
        if not stale and not unzeroed:
            yield Finding("good", what, f"{len(structure.points)} points, no mistake")


def _clock() -> Finding:
    if time.time_ns() // 1000 < EARLIEST_US:
        return Finding("wrong", "clock", "was never set", "Set it, or fit a clock with a battery.")
    quality = clock_quality()
    if quality is None:
        return Finding(
            "attention",
            "clock",
            "whether it is synchronised cannot be told here",
            "Look at the system's time service.",
        )
    if not quality.is_synchronised:
        return Finding(
            "attention",
            "clock",
            f"not synchronised, may be wrong by {quality.error_s:.1f} s or more",
            "Run a time service; without a network, set the clock at each visit.",
        )
    return Finding("good", "clock", f"synchronised, within {quality.error_s:.3f} s")


def _disk(site: Site, data: Path) -> Iterator[Finding]:
    place = data
    while not place.exists():
        place = place.parent
    free, wanted = free_mb(place), site.storage.minimum_free_mb
    if free < wanted:
        yield Finding(
            "wrong",
            "disk",
            f"{free:.0f} MB free, {wanted:.0f} wanted",
            "Make room, or move the data folder to another disk.",
        )
    else:
        yield Finding("good", "disk", f"{free:.0f} MB free at {place}")
    probe = place / f".doctor-{os.getpid()}"
    try:
        began = time.monotonic()
        replace_durably(probe, b"spanwarden doctor")
        took = time.monotonic() - began
        probe.unlink()
    except (OSError, StorageError) as error:
        yield Finding(
            "wrong",
            "rights",
            f"cannot write to {place}: {error}",
            "Give the folder to the user that runs the station.",
        )
        return
    if took > SLOW_SYNC_S:
        yield Finding(
            "attention",
            "sync",
            f"a durable write took {took:.2f} s",
            "The medium is slow or worn; acknowledgements wait for it. Replace it.",
        )
    else:
        yield Finding("good", "sync", f"a durable write takes {1000 * took:.1f} ms")


def _broker(site: Site, environ: Mapping[str, str], *, with_canary: bool) -> Iterator[Finding]:
    broker = broker_of(site)
    where = f"{broker.host}:{broker.port}"
    try:
        socket.create_connection((broker.host, broker.port), timeout=5).close()
    except OSError as error:
        yield Finding(
            "wrong",
            "broker",
            f"nothing answers at {where} ({error})",
            "Start the broker, or correct [broker] in site.toml.",
        )
        return
    if not with_canary:
        yield Finding(
            "attention",
            "broker",
            f"{where} answers; what it keeps was not tested",
            "Run without --without-canary.",
        )
        return
    try:
        probe = probe_broker(broker, environ)
    except SpanwardenError as error:
        yield Finding("wrong", "broker", str(error), "Correct [broker] in site.toml.")
        return
    for one in probe:
        yield (
            Finding("good", "broker", one.text)
            if one.is_good
            else Finding("wrong", "broker", BROKER_FAULTS.get(one.name, one.name), one.text)
        )


def _mail(mail: Mail) -> Finding:
    where = f"{mail.host}:{mail.port}"
    try:
        context = ssl.create_default_context(cafile=mail.ca_file)
        if mail.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                mail.host, mail.port, timeout=mail.timeout_s, context=context
            )
        else:
            server = smtplib.SMTP(mail.host, mail.port, timeout=mail.timeout_s)
        with server:
            if mail.security == "starttls":
                server.starttls(context=context)
            server.noop()
    except (OSError, smtplib.SMTPException) as error:
        return Finding(
            "wrong",
            "mail",
            f"{where} cannot be used ({error})",
            "Correct [mail] in site.toml, or the server; alarms go out by other ways meanwhile.",
        )
    return Finding("good", "mail", f"{where} answers ({mail.security})")


def _station(structure: Structure, layout: Layout) -> Iterator[Finding]:
    what = f"station of {structure.id}"
    if not layout.ledger.exists():
        yield Finding("attention", what, "has never run here", "Start it with `spanwarden run`.")
        return
    if _is_running(layout):
        yield Finding("good", what, "runs")
    else:
        yield Finding(
            "wrong", what, "does not run: nothing is watched", "Start it with `spanwarden run`."
        )
    try:
        with closing(open_reader(layout.ledger)) as ledger:
            yield from _ledger(what, ledger)
    except StorageError as error:
        yield Finding("wrong", what, str(error), "See the message.")


def _ledger(what: str, ledger: LedgerReader) -> Iterator[Finding]:
    sealed = ledger.recall(LAST_SEAL)
    told = "never" if sealed is None else _ago(int(sealed))
    yield Finding(
        "good" if sealed else "attention",
        what,
        f"last seal {told}",
        "" if sealed else "Wait for the first seal.",
    )
    broken = ledger.verify()
    if broken is None:
        yield Finding("good", what, f"journal of {ledger.head()[0]} entries is sound")
    else:
        yield Finding(
            "wrong",
            what,
            f"journal broken at entry {broken}",
            "It was edited: compare its head with the signs of life that went out.",
        )
    unsent = ledger.oldest_unsent_us()
    if unsent is not None and time.time_ns() // 1000 - unsent > UNSENT_US:
        yield Finding(
            "wrong",
            what,
            f"a notice has not been told since {_ago(unsent)}",
            "Look at the log; mend mail or broker.",
        )
    for total in ledger.quarantine_totals().values():
        yield Finding(
            "attention",
            what,
            f"{total.messages} messages refused: {total.reason}",
            "Their bytes are in the ledger's quarantine; correct the node or the configuration.",
        )


def _is_running(layout: Layout) -> bool:
    try:
        held = os.open(layout.lock, os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(held)
    return False


def _ago(us: int) -> str:
    minutes = (time.time_ns() // 1000 - us) / US / 60
    return f"{minutes:.0f} min ago" if minutes < 120 else f"{minutes / 60:.1f} h ago"
