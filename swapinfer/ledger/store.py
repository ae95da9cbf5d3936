"""The store: every job's chain of records with an index of them, packs, and settings."""

from __future__ import annotations

import difflib
import json
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import ConflictError, JobError, LedgerError, near_match
from swapinfer.ledger.connection import RESCUE, Connection
from swapinfer.ledger.database import Database
from swapinfer.ledger.record import (
    FIELDS,
    GENESIS,
    JSON,
    Record,
    as_utc,
    canonical_json,
    check_text,
    digest_text,
    record_from_row,
    seal,
    verify_chain,
)

STATUSES = ("open", "closed", "verified", "moved")
"""What a job can be; "moved" is one that goes on in another store."""

Summary: TypeAlias = Mapping[str, JSON]
"""What a list shows of a job. Its entry ``status``, if it has one, becomes the job's status."""

SumUp: TypeAlias = Callable[[list[Record]], Summary]
"""Makes the summary of a job from all its records."""


class JobRow(Struct, frozen=True):
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
    summary: dict[str, Any]


class Store(Database):
    """An open store; use it as a context manager, from one thread at a time.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "shop.db") as store:
    ...     by = {"who": "T. Echnician", "at": "2031-05-04T09:30:00+02:00", "pack": "0" * 64}
    ...     job = store.create_job("RO-1", {}, **by).job
    ...     _ = store.append(job, ("noted", {"text": "misfires when wet"}), **by)
    ...     [record.type for record in store.records(job)]
    ['opened', 'noted']
    """

    # Records

    def create_job(
        self,
        ro: str,
        payload: Mapping[str, object],
        *,
        who: str,
        at: str,
        pack: str,
        summary: Summary | None = None,
    ) -> Record:
        """Open a job.

        Parameters
        ----------
        ro : str
            Repair-order number, unique among the open jobs; it becomes the payload's ``ro``.
        payload : mapping
            Rest of the event "opened".
        who, at, pack : str
            As in `Record`.
        summary : Summary, optional
            For lists.

        Returns
        -------
        Record
            The first of the job, on disk; its `job` is the new id.

        Raises
        ------
        ConflictError
            If an open job has this number.
        InputError, LedgerError
            If the record cannot be made or written.
        """
        check_text("a repair-order number", ro)
        first = seal(
            uuid.uuid4().hex, 0, "opened", {**payload, "ro": ro},
            who=who, at=at, pack=pack, previous=GENESIS,
        )  # fmt: skip
        with self.writing() as connection:
            _insert_job(connection, [first], summary)
        return first

    def append(
        self,
        job: str,
        *events: tuple[str, Mapping[str, object]],
        who: str,
        at: str,
        pack: str,
        expect_seq: int | None = None,
        summary: Summary | None = None,
    ) -> list[Record]:
        """Record events that belong together: all of them, or none.

        Parameters
        ----------
        job, who, at, pack : str
            As in `Record`.
        *events : (str, mapping)
            Type and payload of each.
        expect_seq : int, optional
            Position that the first must get: refuses them if someone else was first.
        summary : Summary, optional
            New summary; without one the old stays.

        Returns
        -------
        list of Record
            As written, and on disk.

        Raises
        ------
        JobError
            If there is no such job, or it was moved to another store.
        ConflictError
            If `expect_seq` is taken, or the repair order of a job reopened is open again.
        LedgerError
            If the store cannot be written; then nothing was.
        """
        with self.writing() as connection:
            row = _row_to_add_to(connection, job)
            if expect_seq is not None and expect_seq != row.length:
                raise _overtaken(_verified_chain(connection, row), row.ro, expect_seq)
            new, previous = list[Record](), row.head
            for seq, (type_name, payload) in enumerate(events, row.length):
                new.append(
                    seal(job, seq, type_name, payload, who=who, at=at, pack=pack, previous=previous)
                )
                previous = new[-1].digest
            _insert_records(connection, new)
            _update_row(connection, _grown(row, new, summary))
        return new

    def receive(self, chain: Sequence[Record], summary: Summary | SumUp | None = None) -> int:
        """Take over a job's chain from elsewhere, as far as it is not here already.

        Parameters
        ----------
        chain : sequence of Record
            All records of one job.
        summary : Summary or SumUp, optional
            For lists; without one a new job is listed as open, a known one as before.

        Returns
        -------
        int
            Number of records that were new; 0 if the chain was here already.

        Raises
        ------
        LedgerError
            If the chain does not verify; nothing is taken over then.
        ConflictError
            If the job went on differently here, or its repair order is open in another job.
        """
        require_whole_job(chain)
        with self.writing() as connection:
            row = _find_row(connection, chain[0].job, lock=True)
            here = _verified_chain(connection, row) if row else []
            for mine, theirs in zip(here, chain, strict=False):
                if mine.digest != theirs.digest:
                    raise ConflictError(
                        f"job {chain[0].payload['ro']} went on differently here: record "
                        f"{mine.seq} is by {mine.who} ({mine.type}), there by {theirs.who} "
                        f"({theirs.type})"
                    )
            new = chain[len(here) :]
            if row and not new and row.status != "moved":
                return 0
            made = summary(list(chain)) if callable(summary) else summary
            if row is None:
                _insert_job(connection, chain, made)
            else:
                _insert_records(connection, new)
                _update_row(connection, _grown(row, new, made))
        return len(new)

    def hand_over(self, job: str, deliver: Callable[[JobRow, list[Record]], None]) -> None:
        """Give a job away: once `deliver` has returned, nothing is added to it here any more.

        Parameters
        ----------
        job : str
            Its id.
        deliver : callable
            Brings index row and records to safety, while nobody can add to them.

        Raises
        ------
        JobError
            If there is no such job, or it was moved already.
        """
        with self.writing() as connection:
            row = _row_to_add_to(connection, job)
            deliver(row, _verified_chain(connection, row))
            _update_row(connection, replace(row, status="moved"))

    def records(self, job: str) -> list[Record]:
        """All records of a job in order, verified.

        Raises
        ------
        JobError
            If there is no such job.
        LedgerError
            If the chain does not verify, naming the first bad record.
        """
        with self.reading() as connection:
            return _verified_chain(connection, _require_row(connection, job))

    def beginnings(self) -> list[Record]:
        """List the records that opened a job or opened it again, job by job; not verified."""
        query = (
            f"SELECT {', '.join(FIELDS)} FROM records "  # noqa: S608
            "WHERE type IN ('opened', 'reopened') ORDER BY job, seq"
        )
        with self.reading() as connection:
            return [record_from_row(row) for row in connection.execute(query)]

    # The index

    def jobs(self, status: str | None = None, *, limit: int | None = None) -> list[JobRow]:
        """List jobs of one of `STATUSES` or all, last changed first; none is replayed for it."""
        clauses, values = "ORDER BY updated_at DESC, ro DESC", list[object]()
        if status is not None:
            clauses, values = f"WHERE status = ? {clauses}", [status]
        if limit is not None:
            clauses, values = f"{clauses} LIMIT ?", [*values, limit]
        with self.reading() as connection:
            return _list_rows(connection, clauses, values)

    def job(self, job: str) -> JobRow:
        """Find what the index knows of a job.

        Raises
        ------
        JobError
            If there is no such job.
        """
        with self.reading() as connection:
            return _require_row(connection, job)

    def find_job(self, ro: str) -> JobRow:
        """Find the job of a repair order: the open one, else the one changed last.

        Raises
        ------
        JobError
            If there is none, with the open one that was probably meant.
        """
        with self.reading() as connection:
            found = _list_rows(
                connection,
                "WHERE ro = ? ORDER BY status = 'open' DESC, updated_at DESC LIMIT 1",
                [ro],
            )
        if not found:
            known = [row.ro for row in self.jobs("open", limit=1000)]
            close = difflib.get_close_matches(ro, known, n=1)
            meant = f'; did you mean "{close[0]}"?' if close else "; list the jobs to see theirs"
            raise JobError(f'no job with repair order "{ro}"{meant}')
        return found[0]

    # Packs and settings

    def keep_pack(self, digest: str, text: str) -> None:
        """Keep a pack under its digest, so that old jobs replay to the same numbers.

        Raises
        ------
        LedgerError
            If the text is not what the digest says.
        """
        if digest_text(text) != digest:
            raise LedgerError(f"pack {digest[:12]}: its text has another digest")
        if not self.has_pack(digest):
            with self.writing() as connection:
                connection.execute(
                    "INSERT INTO packs (digest, text) VALUES (?, ?) ON CONFLICT DO NOTHING",
                    [digest, text],
                )

    def pack(self, digest: str) -> str:
        """Text of a pack that was in force.

        Raises
        ------
        LedgerError
            If it is not kept here or was altered.
        """
        text = self._value("SELECT text FROM packs WHERE digest = ?", digest)
        if text is None:
            raise LedgerError(f"store {self}: pack {digest[:12]} is not kept here")
        if digest_text(text) != digest:
            raise LedgerError(f"store {self}: pack {digest[:12]} was altered; {RESCUE}")
        return text

    def has_pack(self, digest: str) -> bool:
        """Whether a pack is kept here."""
        return self._value("SELECT text FROM packs WHERE digest = ?", digest) is not None

    def current_job(self, user: str) -> str | None:
        """Id of the job that a user works on, None if none was chosen."""
        return self._value("SELECT value FROM settings WHERE key = ?", f"current job of {user}")

    def choose_job(self, user: str, job: str) -> None:
        """Make a job the one that a user works on."""
        with self.writing() as connection:
            connection.execute(
                "INSERT INTO settings (key, value) VALUES (?, ?) "
                "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                [f"current job of {user}", job],
            )

    def _value(self, query: str, key: str) -> str | None:
        with self.reading() as connection:
            rows = connection.execute(query, [key])
        return rows[0][0] if rows else None


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


# Rows


def _list_rows(
    connection: Connection, clauses: str = "", values: Sequence[object] = ()
) -> list[JobRow]:
    columns = "id, ro, status, opened_at, updated_at, length, head, summary"
    query = f"SELECT {columns} FROM jobs {clauses}"  # noqa: S608  from this program alone
    return [_job_row(row) for row in connection.execute(query, values)]


def _job_row(row: Sequence[Any]) -> JobRow:
    job, ro, status, opened_at, updated_at, length, head, summary = row
    try:
        return JobRow(job, ro, status, opened_at, updated_at, length, head, json.loads(summary))
    except (TypeError, ValueError) as error:
        raise LedgerError(f"job {job}: its index row is damaged; {RESCUE}") from error


def _find_row(connection: Connection, job: str, *, lock: bool = False) -> JobRow | None:
    """Index row of a job if it is here, kept from other writers where `lock` asks for it."""
    clauses = "WHERE id = ?" + (connection.dialect.lock_row if lock else "")
    return next(iter(_list_rows(connection, clauses, [job])), None)


def _require_row(connection: Connection, job: str, *, lock: bool = False) -> JobRow:
    row = _find_row(connection, job, lock=lock)
    if row is None:
        raise JobError(f'there is no job "{job}" in this store')
    return row


def _row_to_add_to(connection: Connection, job: str) -> JobRow:
    row = _require_row(connection, job, lock=True)
    if row.status == "moved":
        raise JobError(f"job {row.ro} was moved to another store; go on there")
    return row


def _read_records(connection: Connection, job: str) -> Iterator[Record]:
    query = f"SELECT {', '.join(FIELDS)} FROM records WHERE job = ? ORDER BY seq"  # noqa: S608
    for seq, row in enumerate(connection.execute(query, [job])):
        try:
            yield record_from_row(row)
        except (LedgerError, TypeError, ValueError, RecursionError) as error:
            raise LedgerError(f"job {job}: record {seq} was altered: {error}") from error


def _verified_chain(connection: Connection, row: JobRow) -> list[Record]:
    """All records of a job, if they verify and end where the index says."""
    chain = list(_read_records(connection, row.job))
    verify_chain(chain)
    if len(chain) != row.length or not chain or chain[-1].digest != row.head:
        raise LedgerError(
            f"job {row.job}: {len(chain)} records stand where the index knows {row.length}; "
            f"some were removed or put in; {RESCUE}"
        )
    return chain


def _insert_job(connection: Connection, chain: Sequence[Record], summary: Summary | None) -> None:
    first = chain[0]
    ro, opened_at = str(first.payload["ro"]), _utc(first)
    start = JobRow(first.job, ro, "open", opened_at, opened_at, 0, GENESIS, {})
    row = _grown(start, chain, summary)
    with _one_open_job(connection, ro):
        connection.execute(
            "INSERT INTO jobs (status, updated_at, length, head, summary, ro, opened_at, id) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [*_changing(row), ro, opened_at, row.job],
        )
    _insert_records(connection, chain)


def _update_row(connection: Connection, row: JobRow) -> None:
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
    places = ", ".join("?" * len(FIELDS))
    for record in chain:
        connection.execute(
            f"INSERT INTO records ({', '.join(FIELDS)}) VALUES ({places})",  # noqa: S608
            record.to_row(),
        )


def _grown(row: JobRow, new: Sequence[Record], summary: Summary | None) -> JobRow:
    """Index row after new records and with a new summary, where there are any."""
    if new:
        last = new[-1]
        row = replace(row, updated_at=_utc(last), length=last.seq + 1, head=last.digest)
    if summary is not None:
        status = str(summary.get("status", row.status))
        if status not in STATUSES:
            raise LedgerError(f'a job cannot be "{status}"{near_match(status, STATUSES)}')
        row = replace(row, summary=dict(summary), status=status)
    return row


def _utc(record: Record) -> str:
    return as_utc(record.at).isoformat()


def _overtaken(chain: Sequence[Record], ro: str, expected: int) -> ConflictError:
    last = chain[-1]
    return ConflictError(
        f"job {ro}: record {expected} was to be next, but {len(chain)} are there; the last is by "
        f"{last.who} ({last.type}, {last.at}); look at it and repeat"
    )
