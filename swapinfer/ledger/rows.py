"""Rows of the store's tables: index rows, chains of records, and how they change together."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

from swapinfer.errors import ConflictError, JobError, LedgerError, near_match
from swapinfer.ledger.connect import RESCUE, Connection
from swapinfer.ledger.record import (
    FIELDS,
    GENESIS,
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


def list_rows(
    connection: Connection, clauses: str = "", values: Sequence[object] = ()
) -> list[JobRow]:
    """Index rows, as the clauses that end a query want them."""
    columns = "id, ro, status, opened_at, updated_at, length, head, summary"
    query = f"SELECT {columns} FROM jobs {clauses}"  # noqa: S608  from this program alone
    return [_job_row(row) for row in connection.execute(query, values)]


def find_row(connection: Connection, job: str, *, lock: bool = False) -> JobRow | None:
    """Index row of a job if it is here, kept from other writers where `lock` asks for it."""
    clauses = "WHERE id = ?" + (connection.dialect.lock_row if lock else "")
    return next(iter(list_rows(connection, clauses, [job])), None)


def require_row(connection: Connection, job: str, *, lock: bool = False) -> JobRow:
    """Index row of a job.

    Raises
    ------
    JobError
        If there is no such job.
    """
    row = find_row(connection, job, lock=lock)
    if row is None:
        raise JobError(f'there is no job "{job}" in this store')
    return row


def _job_row(row: Sequence[Any]) -> JobRow:
    job, ro, status, opened_at, updated_at, length, head, summary = row
    try:
        return JobRow(job, ro, status, opened_at, updated_at, length, head, json.loads(summary))
    except (TypeError, ValueError) as error:
        raise LedgerError(f"job {job}: its index row is damaged; {RESCUE}") from error


def _read_records(connection: Connection, job: str) -> Iterator[Record]:
    query = (
        "SELECT job, seq, type, payload, who, at, pack, program, previous, digest "
        "FROM records WHERE job = ? ORDER BY seq"
    )
    for seq, row in enumerate(connection.execute(query, [job])):
        fields = dict(zip(FIELDS, row, strict=True))
        try:
            fields["payload"] = json.loads(fields["payload"])
            yield record_from_json(fields)
        except (LedgerError, TypeError, ValueError, RecursionError) as error:
            raise LedgerError(f"job {job}: record {seq} was altered: {error}") from error


def verified_chain(connection: Connection, row: JobRow) -> list[Record]:
    """All records of a job.

    Raises
    ------
    LedgerError
        If the chain does not verify, or does not end where the index says.
    """
    chain = list(_read_records(connection, row.job))
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


def insert_job(connection: Connection, chain: Sequence[Record], summary: Summary | None) -> None:
    """Write a job that is not there yet.

    Raises
    ------
    ConflictError
        If its repair order is open in another job.
    """
    first = chain[0]
    ro, opened_at = str(first.payload["ro"]), _utc(first)
    start = JobRow(first.job, ro, "open", opened_at, opened_at, 0, GENESIS, {})
    row = _grown(start, chain, _made(summary, chain))
    with _one_open_job(connection, ro):
        connection.execute(
            "INSERT INTO jobs (status, updated_at, length, head, summary, ro, opened_at, id) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [*_changing(row), ro, opened_at, row.job],
        )
    _insert_records(connection, chain)


def extend_job(
    connection: Connection,
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
    update_row(connection, _grown(row, new, _made(summary, [*past, *new])))


def update_row(connection: Connection, row: JobRow) -> None:
    """Write what has changed in a job's index row.

    Raises
    ------
    ConflictError
        If its repair order is open in another job.
    """
    with _one_open_job(connection, row.ro):
        connection.execute(
            "UPDATE jobs SET status = ?, updated_at = ?, length = ?, head = ?, summary = ? "
            "WHERE id = ?",
            [*_changing(row), row.job],
        )


def _changing(row: JobRow) -> list[object]:
    return [row.status, row.updated_at, row.length, row.head, canonical_json(row.summary)]


@contextmanager
def _one_open_job(connection: Connection, ro: str) -> Iterator[None]:
    try:
        yield
    except connection.driver.IntegrityError as error:
        raise ConflictError(
            f"repair order {ro} is open in another job; add to that one, or close it first"
        ) from error


def _insert_records(connection: Connection, chain: Sequence[Record]) -> None:
    for record in chain:
        connection.execute(
            "INSERT INTO records "
            "(job, seq, type, payload, who, at, pack, program, previous, digest) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [*{**record.to_json(), "payload": canonical_json(record.payload)}.values()],
        )


def _grown(row: JobRow, new: Sequence[Record], summary: Mapping[str, JSON] | None) -> JobRow:
    """Index row after new records and with a new summary, where there are any."""
    if new:
        last = new[-1]
        row = replace(row, updated_at=_utc(last), length=last.seq + 1, head=last.digest)
    if summary is not None:
        status = _status(summary.get("status", row.status))
        row = replace(row, summary=dict(summary), status=status)
    return row


def _status(status: object) -> str:
    if status not in STATUSES:
        raise LedgerError(f'a job cannot be "{status}"{near_match(str(status), STATUSES)}')
    return str(status)


def _made(summary: Summary | None, chain: Sequence[Record]) -> Mapping[str, JSON] | None:
    return summary(list(chain)) if callable(summary) else summary


def _utc(record: Record) -> str:
    return as_utc(record.at).isoformat()
