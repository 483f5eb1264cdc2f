"""
The ledger's tables, and opening its database so that a commit is on the medium when it returns.

Rollback journal and full synchronous: see decision 2 of the decision log.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import StateVersionError, StorageError

LEDGER_VERSION = 1

_TABLES = """
CREATE TABLE position (id INTEGER PRIMARY KEY CHECK (id = 0), next INTEGER NOT NULL) STRICT;
INSERT INTO position VALUES (0, 0);
CREATE TABLE states (name TEXT PRIMARY KEY, state TEXT NOT NULL) STRICT;
CREATE TABLE facts (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE counters (name TEXT PRIMARY KEY, total INTEGER NOT NULL) STRICT;
CREATE TABLE journal (
    number INTEGER PRIMARY KEY, recorded_us INTEGER NOT NULL, kind TEXT NOT NULL,
    alarm TEXT NOT NULL, facts TEXT NOT NULL, previous TEXT NOT NULL, hash TEXT NOT NULL
) STRICT;
CREATE INDEX journal_by_alarm ON journal (alarm, number);
CREATE TRIGGER journal_is_never_changed BEFORE UPDATE ON journal
    BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_is_never_cut BEFORE DELETE ON journal
    BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY AUTOINCREMENT, delivery TEXT NOT NULL, recipient TEXT NOT NULL,
    subject TEXT NOT NULL, body TEXT NOT NULL, priority TEXT NOT NULL, alarm TEXT NOT NULL,
    topic TEXT NOT NULL, expires_us INTEGER, facts TEXT NOT NULL, created_us INTEGER NOT NULL,
    attempts INTEGER NOT NULL, next_us INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'sent', 'failed', 'expired')),
    detail TEXT NOT NULL
) STRICT;
CREATE INDEX outbox_queued ON outbox (next_us) WHERE state = 'queued';
CREATE INDEX outbox_queued_topic ON outbox (delivery, topic, id)
    WHERE state = 'queued' AND topic <> '';
CREATE TABLE quarantine (
    number INTEGER PRIMARY KEY AUTOINCREMENT, position INTEGER NOT NULL,
    received_us INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL,
    detail TEXT NOT NULL, rows INTEGER NOT NULL, size INTEGER NOT NULL, sha256 TEXT NOT NULL,
    is_whole INTEGER NOT NULL, payload BLOB NOT NULL
) STRICT;
CREATE TABLE quarantine_totals (
    reason TEXT PRIMARY KEY, messages INTEGER NOT NULL, rows INTEGER NOT NULL,
    bytes INTEGER NOT NULL, counted_only INTEGER NOT NULL, kept_bytes INTEGER NOT NULL
) STRICT;
"""


def connect_writer(path: Path, busy_s: float) -> sqlite3.Connection:
    """
    The one writing connection, tables made when new; transactions are begun by hand.

    Raises:
        StateVersionError: written by a newer release.
        StorageError: not a ledger, or the system refused.
    """
    with naming(path):
        connection = sqlite3.connect(
            path, timeout=busy_s, isolation_level=None, check_same_thread=False
        )
        try:
            mode = connection.execute("PRAGMA journal_mode = TRUNCATE").fetchone()[0]
            if mode != "truncate":
                raise StorageError(
                    f"{path}: the journal mode is {mode}, expected truncate: another program has "
                    "the ledger open in its own mode. Close that program and start again."
                )
            for setting in ("synchronous = FULL", "foreign_keys = ON", "trusted_schema = OFF"):
                connection.execute(f"PRAGMA {setting}")
            _make_tables(connection)
            _require_version(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def connect_reader(path: Path, busy_s: float) -> sqlite3.Connection:
    """
    A connection that cannot write, for commands in other processes.

    Raises:
        StorageError: there is no ledger at `path`, or the system refused.
        StateVersionError: written by a newer release.
    """
    if not path.is_file():
        raise StorageError(
            f"{path}: there is no ledger. It is made by the first `spanwarden run` of the "
            "structure; check the storage folder in site.toml and the name of the structure."
        )
    with naming(path):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro",
            uri=True,
            timeout=busy_s,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            connection.execute("PRAGMA trusted_schema = OFF")
            _require_version(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Turn an error of the database into a StorageError that names the file and the remedy."""
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or type(error).__name__
        raise StorageError(f"{path}: {error} ({name}). {_remedy(name)}.") from error


def _make_tables(connection: sqlite3.Connection) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if version == 0 and tables == 0:
            for statement in _statements():
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {LEDGER_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _statements() -> Iterator[str]:
    # executescript() would commit first; the tables and their version must come together.
    statement = ""
    for line in _TABLES.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _require_version(connection: sqlite3.Connection, path: Path) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version != LEDGER_VERSION:
        raise StateVersionError(f"ledger {path}", version, LEDGER_VERSION)


def _remedy(name: str) -> str:
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "Another program holds the ledger: end long queries on it and try again"
    if name.startswith("SQLITE_FULL"):
        return "The disk is full: make room; nothing of this transaction was stored"
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return (
            "The file is damaged or no ledger: copy it away, put back a backup, and run "
            "`spanwarden doctor`; raw readings are in the spool and the archive"
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return (
            "Give the station's user the right to write file and folder; after a crash the "
            "station must have been started once before others can read"
        )
    return "Run `spanwarden doctor` and read the kernel's log"
