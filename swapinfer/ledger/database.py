"""An open database of either kind: its opening, and its transactions."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from swapinfer.errors import LedgerError
from swapinfer.ledger.connect import Connection, clear_errors, connect, locate, make_private
from swapinfer.ledger.schema import create_file, require_schema


class Database:
    """An open database; use it as a context manager, from one thread at a time."""

    def __init__(self, where: Path | str, connection: Connection, timeout: float) -> None:
        self._where = where
        self._identity = _identity(self.path)
        self._connection = connection
        self._timeout = timeout
        self._begun = ""

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
        LedgerError
            If the store cannot be opened: one line says why.
        """
        where = locate(place)
        with clear_errors(str(where)):
            if isinstance(where, Path):
                _require_file(where, create=create, timeout=timeout)
            connection = connect(where, timeout)
            try:
                # A file that is there is a store, or it is something else and left alone.
                require_schema(connection, where, create=create and isinstance(where, str))
                if isinstance(where, Path):
                    make_private(where)  # only now: it is a store, and no one else's file
                return cls(where, connection, timeout)
            except BaseException:
                connection.close()
                raise

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


def _require_file(path: Path, *, create: bool, timeout: float) -> None:
    if not path.exists():
        if not create:
            raise LedgerError(f"store {path}: there is no such file")
        create_file(path, timeout)
    if path.is_dir():
        raise LedgerError(f"store {path}: this is a folder; name a file in it")


def _identity(path: Path | None) -> tuple[int, int] | None:
    if path is None:
        return None
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
