"""An open database of either kind: its opening, and its transactions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import sqlalchemy as sa  # noqa: TID253  loads only with a store

from swapinfer.drafts import remove_folders
from swapinfer.errors import JobError, LedgerError
from swapinfer.ledger import connect, tables
from swapinfer.ledger.schema import create_file, require_schema


class Database:
    """An open database; use it as a context manager, from one thread at a time."""

    def __init__(
        self, engine: sa.Engine, where: str, path: Path | None, made: Sequence[Path] = ()
    ) -> None:
        self._engine = engine
        self._where = where
        self._file = None if path is None else (path, _identity(path))
        self._made = list(made)
        self._writer: sa.Connection | None = None

    @classmethod
    def open(cls, place: str | Path, *, create: bool = True, timeout: float = 30.0) -> Self:
        """Open a store, bringing an older schema up to date.

        Parameters
        ----------
        place : str or Path
            A file, or ``postgresql://user@host:port/database``; the password comes from the
            environment (`SWAPINFER_STORE_PASSWORD`, or `SWAPINFER_STORE_PASSWORD_FILE`).
        create : bool
            Whether to make a store where there is none.
        timeout : float
            Seconds to wait for other writers.

        Returns
        -------
        Store
            To be closed.

        Raises
        ------
        InputError
            If `place` cannot be understood.
        JobError
            If there is no such file, and none is to be made.
        LedgerError
            If the store cannot be opened: one line says why.
        """
        where = connect.locate(place)
        name = connect.name_of(where)
        with connect.clear_errors(name):
            if isinstance(where, Path):
                return cls._open_file(where, create=create, timeout=timeout)
            engine = connect.postgres_engine(where, timeout)
            return cls._open_engine(engine, name, None, create=create)

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

    @classmethod
    def _open_file(cls, path: Path, *, create: bool, timeout: float) -> Self:
        made: list[Path] = []
        if not path.exists():
            if not create:
                raise JobError(
                    f"store {path}: there is no such file; opening a job makes it "
                    "(swapinfer open RO ...), --store names another"
                )
            made = create_file(path, timeout)
        if path.is_dir():
            raise LedgerError(f"store {path}: this is a folder; name a file in it")
        engine = connect.sqlite_engine(path, timeout)
        store = cls._open_engine(engine, str(path), path, create=False, made=made)
        connect.make_private(path)
        return store

    @classmethod
    def _open_engine(
        cls,
        engine: sa.Engine,
        where: str,
        path: Path | None,
        *,
        create: bool,
        made: Sequence[Path] = (),
    ) -> Self:
        try:
            require_schema(engine, where, create=create)
            return cls(engine, where, path, made)
        except BaseException:
            engine.dispose()
            raise

    def close(self) -> None:
        """Give the connections back."""
        with connect.clear_errors(self._where):
            self._engine.dispose()

    def abandon(self) -> None:
        """Remove the file if this opening made it, unless someone has a job in it by now."""
        if not self._made or self._file is None:
            return
        path = self._file[0]
        with self.writing() as connection:
            if connection.execute(sa.select(sa.func.count()).select_from(tables.jobs)).scalar():
                return
            path.unlink(missing_ok=True)  # under the lock: whoever waits for it sees it gone
            self._file = None
        self.close()
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        remove_folders(self._made[:-1])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __str__(self) -> str:
        return self._where

    def __repr__(self) -> str:
        return f"Store({self._where!r})"

    @property
    def engine(self) -> sa.Engine:
        """SQLAlchemy engine, for backup and benchmarks."""
        return self._engine

    @property
    def path(self) -> Path | None:
        """File of a SQLite store."""
        return self._file[0] if self._file else None

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Transaction that sees one state of the store throughout; the one that writes, in one."""
        if self._writer is not None:
            yield self._writer
            return
        level = {"isolation_level": "REPEATABLE READ"} if self._file is None else {}
        with (
            connect.clear_errors(self._where),
            self._engine.connect().execution_options(**level) as connection,
            connection.begin(),
        ):
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Transaction that is on disk when the block has ended, or leaves nothing behind.

        Blocks inside such a block are part of it.
        """
        if self._writer is not None:
            yield self._writer
            return
        with (
            connect.clear_errors(self._where),
            self._engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
        ):
            self._writer = connection
            try:
                yield connection
            finally:
                self._writer = None
            self._require_same_file()

    def _require_same_file(self) -> None:
        if self._file and _identity(self._file[0]) != self._file[1]:
            raise LedgerError(
                f"store {self._where}: the file was exchanged or removed meanwhile; "
                "nothing was recorded; open it again"
            )


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
