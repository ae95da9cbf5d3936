"""Connections to a store, SQLite or PostgreSQL, and their errors in one clear line."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa  # noqa: TID253  loads only with a store

from swapinfer.errors import InputError, LedgerError

PASSWORD = "SWAPINFER_STORE_PASSWORD"  # noqa: S105  the variable's name
PASSWORD_FILE = "SWAPINFER_STORE_PASSWORD_FILE"  # noqa: S105  likewise

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
    """Turn what a database raises into one line that names the store.

    Raises
    ------
    InputError
        If a text cannot be kept anywhere.
    LedgerError
        Instead of any error of SQLAlchemy, SQLite, PostgreSQL or the file system.
    """
    try:
        yield
    except sa.exc.DBAPIError as error:
        raise LedgerError(f"store {where}: {_explain(error.orig)}") from error.orig
    except UnicodeEncodeError as error:
        raise InputError(f'"{error.object}" holds bytes that are no characters') from error
    except (sqlite3.Error, sa.exc.SQLAlchemyError, OSError, UnicodeDecodeError) as error:
        raise LedgerError(f"store {where}: {_explain(error)}") from error


def _explain(error: BaseException | None) -> str:
    if isinstance(error, OSError):
        return f"{(error.strerror or str(error)).lower()}; choose a place that you can write to"
    if isinstance(error, UnicodeDecodeError):  # raised while sqlite3 reports damaged text
        return SQLITE_FAULTS[sqlite3.SQLITE_CORRUPT]
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
        return SQLITE_FAULTS.get(code, f"{error}; {RESCUE}")
    state = getattr(error, "sqlstate", None) or ""
    for known, fault in POSTGRES_FAULTS.items():
        if state.startswith(known):
            return fault
    message = str(error).strip()
    if "password" in message:
        return POSTGRES_FAULTS["28"]
    line = message.splitlines()[-1] if message else type(error).__name__
    return line if state else f"{line}; is its place right?"


def locate(place: str | Path) -> Path | sa.URL:
    """Read where a store is.

    Parameters
    ----------
    place : str or Path
        A file, or ``postgresql://user@host:port/database``.

    Returns
    -------
    Path or sqlalchemy.URL
        Of SQLite or PostgreSQL.

    Raises
    ------
    InputError
        If a URL is of another kind, or carries a password, which the list of processes would show.
    """
    if isinstance(place, Path) or "://" not in place:
        return Path(place).expanduser().absolute()
    accepted = "accepted: a file, or postgresql://user@host:port/database"
    try:
        url = sa.make_url(place)
    except (sa.exc.ArgumentError, ValueError):
        raise InputError(f"the store's URL cannot be read; {accepted}") from None
    if url.password is not None or "password" in url.query:
        raise InputError(
            "a password in the store's URL shows in the list of processes; "
            f"put it into {PASSWORD} or into a file named by {PASSWORD_FILE}"
        )
    if url.drivername not in {"postgresql", "postgres", "postgresql+psycopg"}:
        raise InputError(f'stores of kind "{url.drivername}" are not known; {accepted}')
    return url.set(drivername="postgresql+psycopg")


def name_of(place: Path | sa.URL) -> str:
    """Name a store as its user would."""
    return str(place if isinstance(place, Path) else place.set(drivername="postgresql"))


def stored_password() -> str | None:
    """Password from the environment or its file; None leaves it to PostgreSQL's own ways.

    Raises
    ------
    InputError
        If the file cannot be read, or others can read it too.
    """
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


def postgres_engine(url: sa.URL, timeout: float) -> sa.Engine:
    """Engine of a PostgreSQL store; the password is in no object that prints itself."""
    secret = stored_password()
    options = f"-c lock_timeout={int(timeout * 1000)}"
    return sa.create_engine(
        url,
        connect_args={"options": options, **({} if secret is None else {"password": secret})},
        hide_parameters=True,
        pool_pre_ping=True,
    )


def sqlite_engine(path: Path, timeout: float) -> sa.Engine:
    """Engine of an existing SQLite store, which is never created by connecting.

    Each transaction begins as the connection's option ``writing`` says: at once exclusive among
    writers, or reading only.
    """
    mode = _opening_mode(path)

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"file:{quote(os.fsencode(path))}?{mode}",
            uri=True,
            timeout=timeout,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            connection.execute("PRAGMA synchronous = FULL")
        except BaseException:
            connection.close()
            raise
        return connection

    engine = sa.create_engine(
        "sqlite://", creator=connect, poolclass=sa.pool.QueuePool, hide_parameters=True
    )
    sa.event.listen(engine, "begin", _begin)
    return engine


def _begin(connection: sa.Connection) -> None:
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _opening_mode(path: Path) -> str:
    if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK):
        return "mode=rw"
    log = path.with_name(path.name + "-wal")
    # Without a log nobody is writing, and SQLite need not put its own files beside the store.
    return "mode=ro" if log.exists() and log.stat().st_size else "mode=ro&immutable=1"


def create_sqlite(path: Path) -> None:
    """Make an empty database file of one's own, in write-ahead mode, without any table."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    connection = sqlite3.connect(path)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
    finally:
        connection.close()


def make_private(path: Path) -> None:
    """Take a file from group and others where its owner asks."""
    mode = path.stat().st_mode
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        with suppress(PermissionError):
            path.chmod(stat.S_IRUSR | stat.S_IWUSR & mode)
