"""Tables that are learned from: their columns, reading them in chunks, writing them.

Two hold a shop's history, a third the exposure of a fleet.

A table is a CSV file (comma, UTF-8, a header) or a Parquet file. Columns that are not documented
here are ignored when reading and never written.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from swapinfer.errors import LearnError, near_match

if TYPE_CHECKING:
    import pandas as pd

CHUNK_ROWS = 50_000
"""Rows held at once; memory does not grow with the length of a table."""


@dataclass(frozen=True, slots=True)
class JobRow:
    """One cause of one closed job; a job with several causes has a row for each.

    Attributes
    ----------
    job : str
        Any name that is the job's own.
    opened : str
        ``YYYY-MM-DD``.
    family : str
        Vehicle family in the shop's own words, lower case, or empty.
    odometer_km : str
        Number, or empty when it was not noted.
    complaint : str
        Word for what the customer complained of, or empty.
    layout, ignition, fuel : str
        As the pack names them.
    place : str
        Cylinder or bank complained of (``3``, ``bank1``), or empty.
    cause_kind, cause_mode : str
        As the pack names them; kind empty, ``not-found`` or ``declined`` when no cause is known.
    verified : str
        ``yes`` if a drive after the repair showed that the complaint was gone, else ``no``.
    confirmed_by : str
        Test that established the cause, or ``repair`` when only its success did.
    comeback_of : str
        Earlier job whose complaint returned, or empty.
    exposure_km : str
        Distance driven since the engine last ran well, or empty.
    advised : str
        ``yes`` if the steps were chosen by advice, ``no``, or empty when not known.
    """

    job: str
    opened: str
    family: str = ""
    odometer_km: str = ""
    complaint: str = ""
    layout: str = ""
    ignition: str = ""
    fuel: str = ""
    place: str = ""
    cause_kind: str = ""
    cause_mode: str = ""
    verified: str = "no"
    confirmed_by: str = ""
    comeback_of: str = ""
    exposure_km: str = ""
    advised: str = ""


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One reading or inspection of a job.

    Attributes
    ----------
    job : str
        Of the jobs table.
    sequence : str
        Number of the finding within its job.
    test : str
        As the pack names it.
    target : str
        Where it was taken (``3``, ``bank1``), or empty for the whole engine.
    outcome : str
        Named outcome of an inspection, or band of a reading.
    """

    job: str
    sequence: str
    test: str
    target: str = ""
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class ExposureRow:
    """One stretch over which elements that are alike were watched, to its end or to a failure.

    Attributes
    ----------
    kind : str
        Kind of element, as the pack names it.
    family : str
        Vehicle family in the fleet's own words, lower case, or empty.
    count : str
        How many elements; 1 when it failed.
    from_km, to_km : str
        Distance on the elements when watching began and ended.
    failed : str
        Mode that ended it, as the pack names it, or empty when nothing failed.
    """

    kind: str
    family: str
    count: str
    from_km: str
    to_km: str
    failed: str = ""


Row = JobRow | FindingRow | ExposureRow

JOB_COLUMNS = tuple(field.name for field in fields(JobRow))
FINDING_COLUMNS = tuple(field.name for field in fields(FindingRow))
EXPOSURE_COLUMNS = tuple(field.name for field in fields(ExposureRow))
REQUIRED_JOB_COLUMNS = (
    "job",
    "opened",
    "layout",
    "ignition",
    "fuel",
    "cause_kind",
    "cause_mode",
    "verified",
)
REQUIRED_FINDING_COLUMNS = ("job", "sequence", "test", "outcome")
REQUIRED_EXPOSURE_COLUMNS = ("kind", "count", "from_km", "to_km", "failed")
REQUIRED = {
    JOB_COLUMNS: REQUIRED_JOB_COLUMNS,
    FINDING_COLUMNS: REQUIRED_FINDING_COLUMNS,
    EXPOSURE_COLUMNS: REQUIRED_EXPOSURE_COLUMNS,
}
"""Columns that each table cannot do without."""


def read_chunks(
    path: Path, columns: tuple[str, ...], rows: int = CHUNK_ROWS
) -> Iterator[pd.DataFrame]:
    """Read a table piece by piece, every value as text.

    Parameters
    ----------
    path : Path
        CSV or Parquet file.
    columns : tuple of str
        `JOB_COLUMNS`, `FINDING_COLUMNS` or `EXPOSURE_COLUMNS`.
    rows : int
        Rows of a piece.

    Yields
    ------
    DataFrame
        The documented columns, absent ones empty, with ``line`` (line in the file, the header
        being 1) and ``width`` (0, or the number of fields when it is not the header's).

    Raises
    ------
    LearnError
        If the file cannot be read or lacks a required column.
    """
    try:
        if path.suffix == ".parquet":
            yield from _parquet_chunks(path, columns, rows)
        else:
            yield from _csv_chunks(path, columns, rows)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LearnError(f"{path}: cannot be read as a table: {error}") from error


def _csv_chunks(path: Path, columns: tuple[str, ...], rows: int) -> Iterator[pd.DataFrame]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file)
        header = [name.strip() for name in next(reader, [])]
        if not header:
            return  # an export of nothing has no header either
        _check_header(path, header, columns)
        at = [header.index(name) if name in header else -1 for name in columns]
        piece: list[list[object]] = []
        for record in reader:
            if not record:
                continue
            width = 0 if len(record) == len(header) else len(record)
            values = record + [""] * (len(header) - len(record) + 1)
            piece.append([*(values[i] if i >= 0 else "" for i in at), reader.line_num, width])
            if len(piece) == rows:
                yield _frame(piece, columns)
                piece = []
        if piece:
            yield _frame(piece, columns)


def _frame(piece: list[list[object]], columns: tuple[str, ...]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(piece, columns=[*columns, "line", "width"])


def _parquet_chunks(path: Path, columns: tuple[str, ...], rows: int) -> Iterator[pd.DataFrame]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path)
    except pa.ArrowInvalid as error:
        raise LearnError(f"{path}: is not a Parquet file: {error}") from error
    with file:
        header = list(file.schema_arrow.names)
        _check_header(path, header, columns)
        wanted = [name for name in columns if name in header]
        line = 2
        for batch in file.iter_batches(batch_size=rows, columns=wanted):
            frame = as_text(batch.to_pandas(), columns)
            frame["line"] = range(line, line + len(frame))
            line += len(frame)
            yield frame


def as_text(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """Turn every documented column into text, missing values and missing columns into ``""``."""
    import pandas as pd

    out = pd.DataFrame(index=pd.RangeIndex(len(frame)))
    for name in columns:
        if name not in frame.columns:
            out[name] = ""
            continue
        values = frame[name]
        out[name] = values.astype(object).where(values.notna(), "").astype(str).to_numpy()
    out["width"] = 0
    return out


def _check_header(path: Path, header: list[str], columns: tuple[str, ...]) -> None:
    for name in REQUIRED[columns]:
        if name not in header:
            raise LearnError(
                f'{path}: no column "{name}"{near_match(name, header)}; '
                f"the columns are {', '.join(columns)}"
            )


def write_rows(path: Path, rows: Iterable[Row], columns: tuple[str, ...]) -> int:
    """Write a table.

    Parameters
    ----------
    path : Path
        File ending in ``.csv`` or ``.parquet``.
    rows : iterable of JobRow, FindingRow or ExposureRow
        All of one kind.
    columns : tuple of str
        `JOB_COLUMNS`, `FINDING_COLUMNS` or `EXPOSURE_COLUMNS`.

    Returns
    -------
    int
        Rows written.
    """
    if path.suffix == ".parquet":
        import pandas as pd

        frame = pd.DataFrame([astuple(row) for row in rows], columns=list(columns), dtype=str)
        frame.to_parquet(path, index=False)
        return len(frame)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        lengths = [writer.writerow(astuple(row)) for row in rows]
    return len(lengths)
