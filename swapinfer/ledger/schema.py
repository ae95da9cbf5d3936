"""The store's tables, as numbered migrations that bring any older store to the newest schema."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from swapinfer.drafts import draft_of, make_folders, remove_folders
from swapinfer.errors import JobError, LedgerError
from swapinfer.ledger.connect import RESCUE, Connection, connect, create_sqlite

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

SCHEMAS = tuple(MIGRATIONS)
"""Schema versions that this program knows, oldest first; it works with the last."""


def schema_of(connection: Connection) -> str | None:
    """Look up the schema version of a store, None where there is none."""
    ((is_there,),) = connection.execute(connection.dialect.has_schema)
    rows = connection.execute("SELECT version_num FROM store_schema") if is_there else []
    return rows[0][0] if rows else None


def require_schema(connection: Connection, where: Path | str, *, create: bool) -> None:
    """Bring a store to the newest schema, leaving one that has it alone.

    Parameters
    ----------
    connection : Connection
        To the store.
    where : Path or str
        How errors name it.
    create : bool
        Whether a database without any schema is to be given one.

    Raises
    ------
    JobError
        If a server's database is empty, and is to stay so.
    LedgerError
        If the schema is unknown, or there is none and none is to be made.
    """
    found = schema_of(connection)
    if found == SCHEMAS[-1]:
        return
    if found is None and not create and isinstance(where, str):
        raise JobError(f"store {where}: it has no tables yet; opening a job makes them")
    if found is None and not create:
        raise LedgerError(f"store {where}: this is no store of swapinfer, or its start is lost")
    if found is not None and found not in SCHEMAS:
        raise LedgerError(
            f'store {where}: schema "{found}" is newer than this program, which knows '
            f"{SCHEMAS[0]} to {SCHEMAS[-1]}; install a newer swapinfer"
        )
    migrate(connection)


def migrate(connection: Connection) -> None:
    """Run the missing migrations in one transaction, one process at a time."""
    with connection.transaction(connection.dialect.migrate):
        found = schema_of(connection) or ""  # another process may have been first
        for version, statements in MIGRATIONS.items():
            if version > found:
                for statement in statements:
                    connection.execute(statement)
                connection.execute("DELETE FROM store_schema")
                connection.execute("INSERT INTO store_schema VALUES (?)", [version])


def create_file(path: Path, timeout: float) -> list[Path]:
    """Make a store beside its place and link it there whole: no one sees half a store.

    Parameters
    ----------
    path : Path
        Where the store is to be; its folder is made for its owner alone.
    timeout : float
        Seconds to wait for other processes.

    Returns
    -------
    list of Path
        Folders that were made, and the file; nothing if another process was first.

    Raises
    ------
    LedgerError
        If the log of a lost store stands there.
    OSError
        If the folder cannot be written.
    """
    log = path.with_name(path.name + "-wal")
    if log.exists():
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
            migrate(connection)
        os.link(draft, path)
    except FileExistsError:
        return False  # another process was first, with a whole store
    finally:
        draft.unlink(missing_ok=True)
    return True
