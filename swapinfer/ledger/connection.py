"""Connections to a store, SQLite or PostgreSQL, and their errors in one clear line."""

from __future__ import annotations

import os
import sqlite3
import stat
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Self
from urllib.parse import parse_qs, quote, urlsplit

from msgspec import Struct

from swapinfer.errors import InputError, LedgerError

PASSWORD = "SWAPINFER_STORE_PASSWORD"  # noqa: S105  the variable's name
PASSWORD_FILE = "SWAPINFER_STORE_PASSWORD_FILE"  # noqa: S105  likewise

MAGIC = b"SQLite format 3\0"
"""How every file of SQLite begins (sqlite.org/fileformat2.html, section 1.3)."""

RESCUE = "see what verifies with `store check`, save it with `store rescue`"

SQLITE_FAULTS = {
    sqlite3.SQLITE_FULL: "its disk is full; make room and repeat",
    sqlite3.SQLITE_IOERR: "its disk cannot be read or written: full, unplugged or failing",
    sqlite3.SQLITE_READONLY: "it is read-only; nothing can be recorded in it",
    sqlite3.SQLITE_PERM: "its permissions forbid this; it must belong to you",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; do file and folder still exist, are they yours?",
    sqlite3.SQLITE_BUSY: "another process keeps it locked; repeat when that has finished",
    sqlite3.SQLITE_LOCKED: "another process keeps it locked; repeat when that has finished",
    sqlite3.SQLITE_NOTADB: f"the file is damaged or is no store; {RESCUE}",
    sqlite3.SQLITE_CORRUPT: f"the file is damaged; {RESCUE}",
}
"""Primary result codes (sqlite.org/rescode.html) in a mechanic's words."""

POSTGRES_FAULTS = {
    "08": "the connection was lost; look whether the last event is there before repeating it",
    "25006": "it is read-only; nothing can be recorded in it",
    "28": f"the server refused user or password; the password comes from {PASSWORD} or "
    f"the file named by {PASSWORD_FILE}",
    "40": "another process was in the way; repeat",
    "42501": "this user may not do that there",
    "53": "the server is out of space, memory or connections; repeat when that is mended",
    "55P03": "another process keeps it locked; repeat when that has finished",
    "57": "the server is shutting down; look whether the last event is there before repeating it",
    "XX": "the server reports damaged data",
}
"""SQLSTATE, whole or its class (PostgreSQL manual, appendix A), likewise."""


@contextmanager
def clear_errors(where: str) -> Iterator[None]:
    """Turn what a database or file system raises into a `LedgerError`, one line with the store."""
    try:
        yield
    except UnicodeEncodeError as error:
        raise InputError(f'"{error.object}" holds bytes that are no characters') from error
    except _known_errors() as error:
        raise LedgerError(f"store {where}: {_explain(error)}") from error


def _known_errors() -> tuple[type[Exception], ...]:
    known = (sqlite3.Error, OSError, UnicodeDecodeError)
    driver = sys.modules.get("psycopg")  # until it is loaded, it cannot have raised anything
    return (*known, driver.Error) if driver else known


def _explain(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"{(error.strerror or str(error)).lower()}; choose a place that you can write to"
    if isinstance(error, UnicodeDecodeError):  # raised while sqlite3 reports damaged text
        return SQLITE_FAULTS[sqlite3.SQLITE_CORRUPT]
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
        return SQLITE_FAULTS.get(code, f"{error}; {RESCUE}")
    state, message = getattr(error, "sqlstate", None) or "", str(error).strip()
    for known, fault in POSTGRES_FAULTS.items():
        if state.startswith(known):
            return fault
    if "password" in message:
        return POSTGRES_FAULTS["28"]
    line = message.splitlines()[-1].strip() if message else type(error).__name__
    return line if state else f"{line}; is its place right?"


def locate(place: str | Path) -> Path | str:
    """Read where a store is: a file of SQLite, or ``postgresql://user@host:port/database``."""
    if isinstance(place, Path) or "://" not in place:
        return Path(place).expanduser().absolute()
    accepted = "accepted: a file, or postgresql://user@host:port/database"
    kind, rest = place.split("://", 1)
    try:
        url = urlsplit(f"postgresql://{rest}")
        _ = url.port
    except ValueError:
        raise InputError(f"the store's URL cannot be read; {accepted}") from None
    if url.password is not None or "password" in parse_qs(url.query, keep_blank_values=True):
        raise InputError(
            "a password in the store's URL shows in the list of processes; "
            f"put it into {PASSWORD} or into a file named by {PASSWORD_FILE}"
        )
    if kind not in {"postgresql", "postgres", "postgresql+psycopg"}:
        raise InputError(f'stores of kind "{kind}" are not known; {accepted}')
    return f"postgresql://{rest}"


def stored_password() -> str | None:
    """Password from the environment or its file; None leaves it to PostgreSQL's own ways."""
    if PASSWORD in os.environ:
        return os.environ[PASSWORD]
    if PASSWORD_FILE not in os.environ:
        return None
    path = Path(os.environ[PASSWORD_FILE])
    try:
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise InputError(f"password file {path} is open to others; chmod 600 it")
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"password file {path} cannot be read: {error}") from error


class Dialect(Struct, frozen=True):
    """The few words in which the SQL of the two databases differs."""

    placeholder: str  # stands for a value
    read: str  # begins a transaction that sees one state throughout
    write: str  # begins one that writes
    migrate: str  # begins one that is alone in changing the schema
    lock_row: str  # ends a query whose row is to be kept from other writers
    has_schema: str  # asks whether there is a table of schema versions


SQLITE = Dialect(
    placeholder="?",
    read="BEGIN",
    write="BEGIN IMMEDIATE",
    migrate="BEGIN IMMEDIATE",
    lock_row="",  # its writing transactions exclude each other
    has_schema="SELECT count(*) FROM sqlite_master WHERE name = 'store_schema'",
)
POSTGRES = Dialect(
    placeholder="%s",
    read="BEGIN ISOLATION LEVEL REPEATABLE READ",
    write="BEGIN",
    migrate="BEGIN; SELECT pg_advisory_xact_lock(7927463)",  # of all who migrate
    lock_row=" FOR UPDATE",
    # Not to_regclass, whose answer may be from before the wait for the lock above.
    has_schema="SELECT count(*) FROM pg_class "
    "WHERE relname = 'store_schema' AND pg_table_is_visible(oid)",
)


class Connection:
    """A connection to either database, for the same statements with ``?`` for each value.

    The driver's own is in autocommit mode: transactions begin where `transaction` begins them.
    """

    def __init__(self, driver: Any, dialect: Dialect) -> None:  # noqa: ANN401  PEP 249's interface
        self.driver = driver
        self.dialect = dialect

    def execute(self, statement: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Run a statement and fetch all its rows, so that no open query outlives it."""
        cursor = self.driver.execute(statement.replace("?", self.dialect.placeholder), values)
        return cursor.fetchall() if cursor.description else []

    @contextmanager
    def transaction(self, begin: str) -> Iterator[Self]:
        """Transaction that is on disk when the block has ended, or leaves nothing behind."""
        self.execute(begin)
        try:
            yield self
            self.driver.commit()
        except BaseException:
            try:
                self.driver.rollback()
            except self.driver.Error:
                self.close()
            raise

    def close(self) -> None:
        """Close it, as may be done again."""
        self.driver.close()


def connect(where: Path | str, timeout: float) -> Connection:
    """Connect to a database that is there, waiting so many seconds for other writers."""
    if isinstance(where, Path):
        return _connect_sqlite(where, timeout)
    import psycopg

    driver = psycopg.connect(
        where,
        autocommit=True,
        options=f"-c lock_timeout={int(timeout * 1000)}",
        password=stored_password(),
    )
    return Connection(driver, POSTGRES)


def _connect_sqlite(path: Path, timeout: float) -> Connection:
    driver = sqlite3.connect(
        f"file:{quote(os.fsencode(path))}?{_opening_mode(path)}",
        uri=True,
        timeout=timeout,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        driver.execute("PRAGMA synchronous = FULL")
    except BaseException:
        driver.close()
        raise
    return Connection(driver, SQLITE)


def _opening_mode(path: Path) -> str:
    if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK):
        return "mode=rw"
    _, log, _ = files_of(path)
    # Without a log nobody is writing, and SQLite need not put its own files beside the store.
    return "mode=ro" if log.exists() and log.stat().st_size else "mode=ro&immutable=1"


def create_sqlite(path: Path) -> None:
    """Make an empty database file of one's own, in write-ahead mode, without any table."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")


def files_of(path: Path) -> tuple[Path, Path, Path]:
    """Name a store's file, and what SQLite has beside it: its log and the index of that."""
    return path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")


def make_private(path: Path) -> None:
    """Take a store's files from all but the owner who asks."""
    for file in files_of(path):
        with suppress(FileNotFoundError, PermissionError):
            mode = file.stat().st_mode
            if mode & (stat.S_IRWXG | stat.S_IRWXO):
                file.chmod(stat.S_IRUSR | stat.S_IWUSR & mode)
