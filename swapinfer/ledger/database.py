"""An open database of either kind: its opening, and its transactions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from swapinfer.drafts import remove_folders
from swapinfer.errors import JobError, LedgerError
from swapinfer.ledger.connect import Connection, clear_errors, connect, locate, make_private
from swapinfer.ledger.schema import create_file, require_schema


class Database:
    """An open database; use it as a context manager, from one thread at a time."""

    def __init__(
        self,
        where: Path | str,
        connection: Connection,
        timeout: float,
        made: Sequence[Path] = (),
    ) -> None:
        self._where = where
        self._identity = _identity(self.path)
        self._connection = connection
        self._timeout = timeout
        self._begun = ""
        self._made = list(made)

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
            If there is no such store, and none is to be made.
        LedgerError
            If the store cannot be opened: one line says why.
        """
        where = locate(place)
        with clear_errors(str(where)):
            made = list[Path]()
            if isinstance(where, Path):
                made = _require_file(where, create=create, timeout=timeout)
            connection = connect(where, timeout)
            try:
                # A file that is there is a store, or it is something else and left alone.
                require_schema(connection, where, create=create and isinstance(where, str))
                if isinstance(where, Path):
                    make_private(where)  # only now: it is a store, and no one else's file
                return cls(where, connection, timeout, made)
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
        """Remove the file if this opening made it, unless someone has a job in it by now."""
        path = self.path
        if not self._made or path is None or _identity(path) != self._identity:
            return
        with self.writing() as connection:
            if connection.execute("SELECT 1 FROM jobs LIMIT 1"):
                return
            path.unlink(missing_ok=True)  # under the lock: whoever waits for it sees it gone
            self._identity = None
        self.close()
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        remove_folders(self._made[:-1])

    def close(self) -> None:
        """End the connection; a later transaction makes another."""
        with clear_errors(str(self)):
            self._connection.close()

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
        return str(self._where)

    def __repr__(self) -> str:
        return f"Store({str(self)!r})"

    @property
    def path(self) -> Path | None:
        """File of a SQLite store."""
        return self._where if isinstance(self._where, Path) else None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Transaction that sees one state of the store throughout; the one begun, inside one."""
        if self._begun:
            yield self._connection
            return
        with self._transaction(self._connection.dialect.read) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Transaction that is on disk when the block has ended, or leaves nothing behind.

        Blocks inside such a block are part of it.
        """
        if self._begun == self._connection.dialect.write:
            yield self._connection
            return
        with self._transaction(self._connection.dialect.write) as connection:
            yield connection
            self._require_same_file()

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[Connection]:
        if self._begun:
            raise RuntimeError("nothing is written while a transaction only reads")
        with clear_errors(str(self)):
            if not self._connection.is_alive():
                self._connection = connect(self._where, self._timeout)
            with self._connection.transaction(begin) as connection:
                self._begun = begin
                try:
                    yield connection
                finally:
                    self._begun = ""

    def _require_same_file(self) -> None:
        if _identity(self.path) != self._identity:
            raise LedgerError(
                f"store {self}: the file was exchanged or removed meanwhile; "
                "nothing was recorded; open it again"
            )


def _require_file(path: Path, *, create: bool, timeout: float) -> list[Path]:
    made = list[Path]()
    if not path.exists():
        if not create:
            raise JobError(
                f"store {path}: there is no such file; opening a job makes it "
                "(swapinfer open RO ...), --store names another"
            )
        made = create_file(path, timeout)
    if path.is_dir():
        raise LedgerError(f"store {path}: this is a folder; name a file in it")
    return made


def _identity(path: Path | None) -> tuple[int, int] | None:
    if path is None:
        return None
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
