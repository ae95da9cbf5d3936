"""An open database of either kind: its tables, its file, its transactions."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from pathlib import Path
from typing import Self

from swapinfer.drafts import draft_of, make_folders, remove_folders
from swapinfer.errors import JobError, LedgerError
from swapinfer.ledger.connection import (
    RESCUE,
    Connection,
    clear_errors,
    connect,
    create_sqlite,
    files_of,
    locate,
    make_private,
)

MIGRATIONS: Mapping[str, tuple[str, ...]] = {
    "0001": (
        """
        CREATE TABLE store_schema (
            version_num VARCHAR(32) NOT NULL,
            CONSTRAINT store_schema_pkc PRIMARY KEY (version_num)
        )
        """,
        """
        CREATE TABLE jobs (
            id TEXT NOT NULL PRIMARY KEY,
            ro TEXT NOT NULL,
            status TEXT NOT NULL,
            opened_at TEXT NOT NULL,
            updated_at TEXT NOT NULL,
            length INTEGER NOT NULL,
            head TEXT NOT NULL
        )
        """,
        "CREATE INDEX jobs_by_ro ON jobs (ro)",
        "CREATE INDEX jobs_by_status ON jobs (status, updated_at)",
        "CREATE UNIQUE INDEX jobs_one_open_per_ro ON jobs (ro) WHERE status = 'open'",
        """
        CREATE TABLE records (
            job TEXT NOT NULL,
            seq INTEGER NOT NULL,
            type TEXT NOT NULL,
            payload TEXT NOT NULL,
            who TEXT NOT NULL,
            at TEXT NOT NULL,
            pack TEXT NOT NULL,
            program TEXT NOT NULL,
            previous TEXT NOT NULL,
            digest TEXT NOT NULL,
            PRIMARY KEY (job, seq)
        )
        """,
        "CREATE TABLE settings (key TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL)",
    ),
    "0002": (
        "ALTER TABLE jobs ADD COLUMN summary TEXT DEFAULT '{}' NOT NULL",
        "CREATE TABLE packs (digest TEXT NOT NULL PRIMARY KEY, text TEXT NOT NULL)",
    ),
}
"""Schema version to the statements that lead to it from the one before, oldest first.

The jobs' table is an index of the records, kept in the same transactions. A record's payload is
canonical JSON as text, so that a database never reorders it. Packs are those ever in force."""

TABLES = ("records", "settings", "packs", "jobs", "store_schema")
"""Tables of the last schema."""

SCHEMAS = tuple(MIGRATIONS)
"""Schema versions that this program knows, oldest first; it works with the last."""


class Database:
    """An open database; use it as a context manager, from one thread at a time."""

    def __init__(
        self,
        where: Path | str,
        connection: Connection,
        timeout: float,
        made: Sequence[Path] = (),
        *,
        has_made_tables: bool = False,
    ) -> None:
        self._where = where
        self._identity = _identity(self.path)
        self._connection = connection
        self._timeout = timeout
        self._begun = ""
        self._made = list(made)
        self._has_made_tables = has_made_tables

    @classmethod
    def open(cls, place: str | Path, *, create: bool = True, timeout: float = 30.0) -> Self:
        """Open a store, bringing an older schema up to date.

        A `JobError` says that there is none and none is to be made, a `LedgerError` why it cannot
        be opened.
        """
        where = locate(place)
        with clear_errors(str(where)):
            made = _require_file(where, timeout, create=create) if isinstance(where, Path) else []
            connection = connect(where, timeout)
            try:
                # A file that is there is a store, or it is something else and left alone.
                new = _require_schema(connection, where, create=create and isinstance(where, str))
                if isinstance(where, Path):
                    make_private(where)  # only now: it is a store, and no one else's file
                return cls(where, connection, timeout, made, has_made_tables=new)
            except BaseException:
                connection.close()
                raise

    @classmethod
    @contextmanager
    def founding(cls, place: str | Path) -> Iterator[Self]:
        """Open a store, made if there is none; one made here goes again if the block fails."""
        with cls.open(place) as store:
            try:
                yield store
            except BaseException:
                store.abandon()
                raise

    def abandon(self) -> None:
        """Remove what this opening made, unless someone has a job in it by now."""
        path = self.path
        if path is None:
            if self._has_made_tables:
                self._drop_tables()
            return
        if not self._made or _identity(path) != self._identity:
            return
        with self.writing() as connection:
            if connection.execute("SELECT 1 FROM jobs LIMIT 1"):
                return
            path.unlink(missing_ok=True)  # under the lock: whoever waits for it sees it gone
            self._identity = None
        self.close()
        for file in files_of(path):
            file.unlink(missing_ok=True)
        remove_folders(self._made[:-1])

    def _drop_tables(self) -> None:
        with self.writing() as connection:
            connection.execute("LOCK TABLE jobs IN ACCESS EXCLUSIVE MODE")
            if not connection.execute("SELECT 1 FROM jobs LIMIT 1"):
                for table in TABLES:
                    connection.execute(f"DROP TABLE {table}")

    def close(self) -> None:
        """End the connection; a later transaction makes another."""
        with clear_errors(str(self)):
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def __str__(self) -> str:
        return str(self._where)

    def __repr__(self) -> str:
        return f"Store({str(self)!r})"

    @property
    def path(self) -> Path | None:
        """File of a SQLite store."""
        return self._where if isinstance(self._where, Path) else None

    def reading(self) -> AbstractContextManager[Connection]:
        """Transaction that sees one state of the store throughout."""
        return self._transaction(self._connection.dialect.read)

    def writing(self) -> AbstractContextManager[Connection]:
        """Transaction that is on disk when the block has ended, or leaves nothing behind."""
        return self._transaction(self._connection.dialect.write)

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[Connection]:
        """Begin one; inside of one, the block is part of that."""
        dialect = self._connection.dialect
        if self._begun:
            if begin not in (self._begun, dialect.read):
                raise RuntimeError("nothing is written while a transaction only reads")
            yield self._connection
            return
        with clear_errors(str(self)):
            try:
                self._connection.execute("SELECT 1")
            except self._connection.driver.Error:  # it is closed, or its server went
                self._connection = connect(self._where, self._timeout)
            with self._connection.transaction(begin) as connection:
                self._begun = begin
                try:
                    yield connection
                    if begin == dialect.write and _identity(self.path) != self._identity:
                        raise LedgerError(
                            f"store {self}: the file was exchanged or removed meanwhile; "
                            "nothing was recorded; open it again"
                        )
                finally:
                    self._begun = ""


def schema_of(connection: Connection) -> str | None:
    """Look up the schema version of a store, None where there is none."""
    ((is_there,),) = connection.execute(connection.dialect.has_schema)
    rows = connection.execute("SELECT version_num FROM store_schema") if is_there else []
    return rows[0][0] if rows else None


def _require_schema(connection: Connection, where: Path | str, *, create: bool) -> bool:
    """Bring a store to the newest schema, leaving one that has it alone; say whether it had none.

    A database without any schema is given one where `create` asks for it.
    """
    found = schema_of(connection)
    if found == SCHEMAS[-1]:
        return False
    if found is None and not create and isinstance(where, str):
        raise JobError(f"store {where}: it has no tables yet; opening a job makes them")
    if found is None and not create:
        raise LedgerError(f"store {where}: this is no store of swapinfer, or its start is lost")
    if found is not None and found not in SCHEMAS:
        raise LedgerError(
            f'store {where}: schema "{found}" is newer than this program, which knows '
            f"{SCHEMAS[0]} to {SCHEMAS[-1]}; install a newer swapinfer"
        )
    _migrate(connection)
    return found is None


def _migrate(connection: Connection) -> None:
    """Run the missing migrations in one transaction, one process at a time."""
    with connection.transaction(connection.dialect.migrate):
        found = schema_of(connection) or ""  # another process may have been first
        for version, statements in MIGRATIONS.items():
            if version > found:
                for statement in statements:
                    connection.execute(statement)
                connection.execute("DELETE FROM store_schema")
                connection.execute("INSERT INTO store_schema VALUES (?)", [version])


def _require_file(path: Path, timeout: float, *, create: bool) -> list[Path]:
    made = list[Path]()
    if not path.exists():
        if not create:
            raise JobError(
                f"store {path}: there is no such file; opening a job makes it "
                "(swapinfer open RO ...), --store names another"
            )
        made = _create_file(path, timeout)
    if path.is_dir():
        raise LedgerError(f"store {path}: this is a folder; name a file in it")
    return made


def _create_file(path: Path, timeout: float) -> list[Path]:
    """Make a store beside its place and link it there whole: no one sees half a store.

    Its folder is made for its owner alone. Returned are the folders that were made, and the file;
    nothing if another process was first.
    """
    _, log, _ = files_of(path)
    # Another process may have made both since: then it is the file that is there by now.
    if log.exists() and not path.exists():
        raise LedgerError(
            f"store {path}: the file is gone but its log {log.name} is there; {RESCUE}"
        )
    made = make_folders(path.parent, mode=0o700)
    try:
        is_first = _link_new(path, timeout)
    except BaseException:
        remove_folders(made)
        raise
    return [*made, path] if is_first else []


def _link_new(path: Path, timeout: float) -> bool:
    draft = draft_of(path)
    try:
        create_sqlite(draft)
        with closing(connect(draft, timeout)) as connection:
            _migrate(connection)
        os.link(draft, path)
    except FileExistsError:
        return False  # another process was first, with a whole store
    finally:
        draft.unlink(missing_ok=True)
    return True


def _identity(path: Path | None) -> tuple[int, int] | None:
    with suppress(OSError):
        status = path.stat() if path else None
        return status and (status.st_dev, status.st_ino)
    return None
