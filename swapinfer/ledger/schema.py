"""The store's schema version, and its migration from older ones."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import sqlalchemy as sa  # noqa: TID253  loads only with a store

from swapinfer.drafts import draft_of, make_folders, remove_folders
from swapinfer.errors import JobError, LedgerError
from swapinfer.ledger.connect import RESCUE, create_sqlite, sqlite_engine
from swapinfer.ledger.tables import SCHEMAS, version

_ONE_AT_A_TIME = 7_927_463
"""PostgreSQL advisory lock of those who migrate."""

_ONE_THREAD_AT_A_TIME = threading.Lock()
"""The migration tool keeps its context in module globals."""


def schema_of(connection: sa.Connection) -> str | None:
    """Look up the schema version of a store, None where there is none."""
    if not sa.inspect(connection).has_table(version.name):
        return None
    found: str | None = connection.execute(sa.select(version.c.version_num)).scalar()
    return found


def require_schema(engine: sa.Engine, where: str, *, create: bool) -> None:
    """Bring a store to the newest schema, leaving one that has it alone.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        Of the store.
    where : str
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
    with engine.connect() as connection:
        found = schema_of(connection)
    if found == SCHEMAS[-1]:
        return
    if found is None and not create and engine.dialect.name == "postgresql":
        raise JobError(f"store {where}: it has no tables yet; opening a job makes them")
    if found is None and not create:
        raise LedgerError(f"store {where}: this is no store of swapinfer, or its start is lost")
    if found is not None and found not in SCHEMAS:
        raise LedgerError(
            f'store {where}: schema "{found}" is newer than this program, which knows '
            f"{SCHEMAS[0]} to {SCHEMAS[-1]}; install a newer swapinfer"
        )
    migrate(engine)


def migrate(engine: sa.Engine, target: str = "head") -> None:
    """Run the missing migrations in one transaction, one process at a time.

    Parameters
    ----------
    engine : sqlalchemy.Engine
        Of the store.
    target : str
        Schema version to stop at.
    """
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    config.set_main_option("path_separator", "os")
    with (
        _ONE_THREAD_AT_A_TIME,
        engine.connect().execution_options(writing=True) as connection,
        connection.begin(),
    ):
        if engine.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ONE_AT_A_TIME)))
        config.attributes["connection"] = connection
        command.upgrade(config, target)


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
        engine = sqlite_engine(draft, timeout)
        try:
            migrate(engine)
        finally:
            engine.dispose()
        os.link(draft, path)
    except FileExistsError:
        return False  # another process was first, with a whole store
    finally:
        draft.unlink(missing_ok=True)
    return True
