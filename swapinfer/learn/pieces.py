"""A table in pieces, on this machine or on a cluster; whoever maps over it cannot tell which."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

from swapinfer.errors import LearnError
from swapinfer.learn.tables import CHUNK_ROWS, as_text, read_chunks

if TYPE_CHECKING:
    import pandas as pd
    from dask.distributed import Client

T = TypeVar("T")


class Pieces(Protocol):
    """A table that can be mapped over, piece by piece."""

    def map(self, function: Callable[[int, pd.DataFrame], T]) -> Iterator[T]:
        """Apply a function to the number and the rows of each piece, in order."""
        ...


@dataclass(frozen=True, slots=True)
class LocalPieces:
    """One file, read piece by piece in this process.

    Attributes
    ----------
    path : Path
        CSV or Parquet.
    columns : tuple of str
        Of the table.
    rows : int
        Rows of a piece.
    """

    path: Path
    columns: tuple[str, ...]
    rows: int = CHUNK_ROWS

    def map(self, function: Callable[[int, pd.DataFrame], T]) -> Iterator[T]:
        """Read and apply, holding one piece at a time."""
        for number, frame in enumerate(read_chunks(self.path, self.columns, self.rows)):
            yield function(number, frame)


@dataclass(frozen=True, slots=True)
class ClusterPieces:
    """A Parquet file, or a folder of them, read by the workers of a Dask cluster.

    Attributes
    ----------
    path : Path
        As the workers see it.
    columns : tuple of str
        Of the table.
    client : Client
        Connected to the scheduler.
    """

    path: Path
    columns: tuple[str, ...]
    client: Client

    def map(self, function: Callable[[int, pd.DataFrame], T]) -> Iterator[T]:
        """Apply on the workers; results come back in order, one piece at a time."""
        import dask.dataframe as dd
        from dask import delayed

        table = dd.read_parquet(str(self.path), split_row_groups=True)
        parts = table.to_delayed()
        lengths = self.client.compute([delayed(len)(part) for part in parts])
        first_line = 2
        futures = []
        for number, (part, length) in enumerate(zip(parts, lengths, strict=True)):
            piece = delayed(_number_lines)(part, self.columns, first_line)
            futures.append(self.client.compute(delayed(function)(number, piece)))
            first_line += length.result()
        for future in futures:
            yield future.result()


def _number_lines(part: pd.DataFrame, columns: tuple[str, ...], first_line: int) -> pd.DataFrame:
    frame = as_text(part, columns)
    frame["line"] = range(first_line, first_line + len(frame))
    return frame


def connect(address: str) -> Client:
    """Connect to the scheduler of a Dask cluster.

    Parameters
    ----------
    address : str
        Such as ``tcp://host:8786``.

    Returns
    -------
    Client

    Raises
    ------
    LearnError
        If nothing answers.
    """
    from dask.distributed import Client

    try:
        return Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise LearnError(f"no Dask scheduler answers at {address}: {error}") from error
