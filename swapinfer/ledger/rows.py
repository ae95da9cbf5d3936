"""Rows of the store's tables: index rows, chains of records, and how they change together."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeAlias

import sqlalchemy as sa  # noqa: TID253  loads only with a store

from swapinfer.errors import ConflictError, JobError, LedgerError, near_match
from swapinfer.ledger import tables
from swapinfer.ledger.connect import RESCUE
from swapinfer.ledger.record import (
    FIELDS,
    JSON,
    Record,
    as_utc,
    canonical_json,
    record_from_json,
    verify_chain,
)

STATUSES = ("open", "closed", "verified", "moved")
"""What a job can be; "moved" is one that goes on in another store."""

Summary: TypeAlias = Mapping[str, JSON] | Callable[[list[Record]], Mapping[str, JSON]]
"""What a list shows of a job, or how to make it of all records, the new one included.

Its entry ``status``, where it has one, becomes the job's status."""


@dataclass(frozen=True, slots=True)
class JobRow:
    """What the index knows of a job.

    Attributes
    ----------
    job, ro : str
        Opaque id, and repair-order number.
    status : str
        One of `STATUSES`.
    opened_at, updated_at : str
        Of the first and last record, in UTC.
    length : int
        Number of records.
    head : str
        Digest of the last record.
    summary : dict
        As given with the last record that brought one.
    """

    job: str
    ro: str
    status: str
    opened_at: str
    updated_at: str
    length: int
    head: str
    summary: dict[str, JSON]


def find_row(
    connection: sa.Connection,
    where: sa.ColumnElement[bool],
    *order: sa.ColumnElement[Any],
    lock: bool = False,
) -> JobRow | None:
    """First index row that fits, kept from other writers where `lock` asks for it."""
    query = sa.select(tables.jobs).where(where).order_by(*order).limit(1)
    # SQLite has no row locks and needs none: its writing transactions exclude each other.
    row = connection.execute(query.with_for_update() if lock else query).first()
    return None if row is None else job_row(row)


def require_row(connection: sa.Connection, job: str, *, lock: bool = False) -> JobRow:
    """Index row of a job.

    Raises
    ------
    JobError
        If there is no such job.
    """
    row = find_row(connection, tables.jobs.c.id == job, lock=lock)
    if row is None:
        raise JobError(f'there is no job "{job}" in this store')
    return row


def job_row(row: Sequence[Any]) -> JobRow:
    """Read a row of the index.

    Raises
    ------
    LedgerError
        If it was damaged.
    """
    job, ro, status, opened_at, updated_at, length, head, summary = row
    try:
        return JobRow(job, ro, status, opened_at, updated_at, length, head, json.loads(summary))
    except (TypeError, ValueError) as error:
        raise LedgerError(f"job {job}: its index row is damaged; {RESCUE}") from error


def read_records(connection: sa.Connection, job: str) -> Iterator[Record]:
    """Read a job's records in order, without verifying them.

    Raises
    ------
    LedgerError
        At the first row that is no record.
    """
    query = sa.select(tables.records).where(tables.records.c.job == job)
    for seq, row in enumerate(connection.execute(query.order_by(tables.records.c.seq))):
        fields = dict(zip(FIELDS, row, strict=True))
        try:
            fields["payload"] = json.loads(fields["payload"])
            yield record_from_json(fields)
        except (LedgerError, TypeError, ValueError, RecursionError) as error:
            raise LedgerError(f"job {job}: record {seq} was altered: {error}") from error


def verified_chain(connection: sa.Connection, row: JobRow) -> list[Record]:
    """All records of a job.

    Raises
    ------
    LedgerError
        If the chain does not verify, or does not end where the index says.
    """
    chain = list(read_records(connection, row.job))
    verify_chain(chain)
    if len(chain) != row.length or not chain or chain[-1].digest != row.head:
        raise LedgerError(
            f"job {row.job}: {len(chain)} records stand where the index knows {row.length}; "
            f"some were removed or put in; {RESCUE}"
        )
    return chain


def require_whole_job(chain: Sequence[Record]) -> None:
    """Refuse a chain from elsewhere that is not all of one job.

    Raises
    ------
    LedgerError
        If it does not verify or does not begin with the opening of a repair order.
    InputError
        If a time cannot be read.
    """
    verify_chain(chain)
    if not chain or chain[0].type != "opened" or not isinstance(chain[0].payload.get("ro"), str):
        raise LedgerError('a job begins with a record "opened" that names its repair order')
    for record in chain:
        as_utc(record.at)


def insert_job(connection: sa.Connection, chain: Sequence[Record], summary: Summary | None) -> None:
    """Write a job that is not there yet.

    Raises
    ------
    ConflictError
        If its repair order is open in another job.
    """
    first = chain[0]
    start: dict[str, object] = {
        "id": first.job,
        "ro": first.payload["ro"],
        "opened_at": _utc(first),
        "status": "open",
        **_index_columns(chain, _made(summary, chain)),
    }
    with _one_open_job(str(start["ro"])):
        connection.execute(tables.jobs.insert().values(start))
    _insert_records(connection, chain)


def extend_job(
    connection: sa.Connection,
    row: JobRow,
    new: Sequence[Record],
    summary: Summary | None,
    past: Sequence[Record] = (),
) -> None:
    """Write further records of a job, and its index row with them.

    Raises
    ------
    ConflictError
        If its repair order is open in another job.
    """
    _insert_records(connection, new)
    columns = _index_columns(new, _made(summary, [*past, *new]))
    if columns:
        with _one_open_job(row.ro):
            connection.execute(update_job(row.job).values(columns))


def update_job(job: str) -> sa.Update:
    """Statement that changes a job's index row."""
    return sa.update(tables.jobs).where(tables.jobs.c.id == job)


@contextmanager
def _one_open_job(ro: str) -> Iterator[None]:
    try:
        yield
    except sa.exc.IntegrityError as error:
        raise ConflictError(
            f"repair order {ro} is open in another job; add to that one, or close it first"
        ) from error.orig


def _insert_records(connection: sa.Connection, chain: Sequence[Record]) -> None:
    rows = [{**record.to_json(), "payload": canonical_json(record.payload)} for record in chain]
    if rows:
        connection.execute(tables.records.insert(), rows)


def _index_columns(new: Sequence[Record], summary: Mapping[str, JSON] | None) -> dict[str, object]:
    """Columns of the index that change with new records and a new summary."""
    columns: dict[str, object] = {}
    if new:
        last = new[-1]
        columns = {"updated_at": _utc(last), "length": last.seq + 1, "head": last.digest}
    if summary is not None:
        columns["summary"] = canonical_json(summary)
        if "status" in summary:
            columns["status"] = _status(summary["status"])
    return columns


def _status(status: object) -> str:
    if status not in STATUSES:
        raise LedgerError(f'a job cannot be "{status}"{near_match(str(status), STATUSES)}')
    return str(status)


def _made(summary: Summary | None, chain: Sequence[Record]) -> Mapping[str, JSON] | None:
    return summary(list(chain)) if callable(summary) else summary


def _utc(record: Record) -> str:
    return as_utc(record.at).isoformat()
