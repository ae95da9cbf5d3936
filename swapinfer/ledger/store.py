"""The store: every job's chain of records with an index of them, packs, and settings."""

from __future__ import annotations

import difflib
import json
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeAlias

from msgspec import Struct, structs
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
    record_from_row,
    seal,
    verify_chain,
)
from swapinfer.pack.tables import digest_text

STATUSES = ("open", "closed", "verified", "moved")
"""What a job can be; "moved" is one that goes on in another store."""

Summary: TypeAlias = Mapping[str, JSON]
"""What a list shows of a job. Its entry ``status``, if it has one, becomes the job's status."""

SumUp: TypeAlias = Callable[[list[Record]], Summary]
"""Makes the summary of a job from all its records."""


class JobRow(Struct, frozen=True):
    """What the index knows of a job."""

    job: str  # opaque id
    ro: str
    status: str  # one of `STATUSES`
    opened_at: str  # time of the first record, in UTC
    updated_at: str  # of the last
    length: int  # number of records
    head: str  # digest of the last record
    summary: dict[str, Any]  # as given with the last record that brought one


COLUMNS = "id, ro, status, opened_at, updated_at, length, head, summary"
"""Of the index, in the order of a row's fields."""


class Tally(Struct, frozen=True):
    """How many jobs and records verify, were saved or brought back, and what is wrong."""

    jobs: int
    records: int
    faults: tuple[str, ...] = ()  # what does not verify, one line each
    remarks: tuple[str, ...] = ()  # what is odd but no fault: a clock set back, a pack not kept


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
        """Open a job, unless another one is open under its repair-order number."""
        check_text("a repair-order number", ro)
        first = seal(
            uuid.uuid4().hex, 0, "opened", {**payload, "ro": ro},
            who=who, at=at, pack=pack, previous=GENESIS,
        )  # fmt: skip
        with self.writing() as connection:
            _write(connection, _first_row(first), [first], summary)
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

        A `ConflictError` says that `expect_seq`, the position that the first is to get, is taken,
        or that the repair order of a job reopened is open in another one.
        """
        with self.writing() as connection:
            row = _row_to_add_to(connection, job)
            if expect_seq is not None and expect_seq != row.length:
                chain = _verified_chain(connection, row)
                raise ConflictError(
                    f"job {row.ro}: record {expect_seq} was to be next, but {len(chain)} are "
                    f"there; the last is by {chain[-1].who} ({chain[-1].type}, {chain[-1].at}); "
                    "look at it and repeat"
                )
            new, previous = list[Record](), row.head
            for seq, (type_name, payload) in enumerate(events, row.length):
                new.append(
                    seal(job, seq, type_name, payload, who=who, at=at, pack=pack, previous=previous)
                )
                previous = new[-1].digest
            _write(connection, row, new, summary)
        return new

    def receive(self, chain: Sequence[Record], summary: Summary | SumUp | None = None) -> int:
        """Take over a job's chain from elsewhere, and say how many of its records were new.

        Without a summary a new job is listed as open, a known one as before. A `ConflictError` says
        that the job went on differently here, or that its repair order is open in another one.
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
            _write(connection, row or _first_row(chain[0]), new, made)
        return len(new)

    def hand_over(self, job: str, deliver: Callable[[JobRow, list[Record]], int]) -> int:
        """Give a job away: once `deliver` has returned, nothing is added to it here any more."""
        with self.writing() as connection:
            row = _row_to_add_to(connection, job)
            delivered = deliver(row, _verified_chain(connection, row))
            _write(connection, replace(row, status="moved"), [])
        return delivered

    def records(self, job: str) -> list[Record]:
        """All records of a job in order; a `LedgerError` names the first that does not verify."""
        with self.reading() as connection:
            return _verified_chain(connection, _require_row(connection, job))

    def beginnings(self) -> list[Record]:
        """List the records that opened a job or opened it again, job by job; not verified."""
        query = f"{_SELECT} WHERE type IN ('opened', 'reopened') ORDER BY job, seq"
        with self.reading() as connection:
            return [record_from_row(row) for row in connection.execute(query)]

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
        """Find what the index knows of a job; a `JobError` where there is none."""
        with self.reading() as connection:
            return _require_row(connection, job)

    def find_job(self, ro: str) -> JobRow:
        """Find the job of a repair order: the open one, else the one changed last."""
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

    def keep_pack(self, digest: str, text: str) -> None:
        """Keep a pack under its digest, so that old jobs replay to the same numbers."""
        if digest_text(text) != digest:
            raise LedgerError(f"pack {digest[:12]}: its text has another digest")
        if not self.has_pack(digest):
            with self.writing() as connection:
                connection.execute(
                    "INSERT INTO packs (digest, text) VALUES (?, ?) ON CONFLICT DO NOTHING",
                    [digest, text],
                )

    def pack(self, digest: str) -> str:
        """Text of a pack that was in force, refused where it was altered."""
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
    """Refuse a chain from elsewhere that is not all of one job."""
    verify_chain(chain)
    if not chain or chain[0].type != "opened" or not isinstance(chain[0].payload.get("ro"), str):
        raise LedgerError('a job begins with a record "opened" that names its repair order')
    for record in chain:
        as_utc(record.at)


def _list_rows(
    connection: Connection, clauses: str = "", values: Sequence[object] = ()
) -> list[JobRow]:
    query = f"SELECT {COLUMNS} FROM jobs {clauses}"  # noqa: S608  from this program alone
    return [_read_row(row) for row in connection.execute(query, values)]


def _read_row(row: Sequence[Any]) -> JobRow:
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


def _first_row(first: Record) -> JobRow:
    """Index row of a job of which nothing is recorded yet."""
    at = as_utc(first.at).isoformat()
    return JobRow(first.job, str(first.payload["ro"]), "open", at, at, 0, GENESIS, {})


def _verified_chain(connection: Connection, row: JobRow) -> list[Record]:
    """All records of a job, if they verify and end where the index says."""
    chain = list[Record]()
    for columns in connection.execute(f"{_SELECT} WHERE job = ? ORDER BY seq", [row.job]):
        try:
            chain.append(record_from_row(columns))
        except (LedgerError, TypeError, ValueError, RecursionError) as error:
            raise LedgerError(f"job {row.job}: record {len(chain)} was altered: {error}") from error
    verify_chain(chain)
    if len(chain) != row.length or not chain or chain[-1].digest != row.head:
        raise LedgerError(
            f"job {row.job}: {len(chain)} records stand where the index knows {row.length}; "
            f"some were removed or put in; {RESCUE}"
        )
    return chain


def _write(
    connection: Connection, row: JobRow, new: Sequence[Record], summary: Summary | None = None
) -> None:
    """Add records to a job, and bring its index row to after them and to a new summary, if any."""
    places = ", ".join("?" * len(FIELDS))
    insert = f"INSERT INTO records ({', '.join(FIELDS)}) VALUES ({places})"  # noqa: S608
    for record in new:
        connection.execute(insert, record.to_row())
    is_new = not row.length
    if new:
        at = as_utc(new[-1].at).isoformat()
        row = replace(row, updated_at=at, length=new[-1].seq + 1, head=new[-1].digest)
    if summary is not None:
        status = str(summary.get("status", row.status))
        if status not in STATUSES:
            raise LedgerError(f'a job cannot be "{status}"{near_match(status, STATUSES)}')
        row = replace(row, summary=dict(summary), status=status)
    job, *others, told = structs.astuple(row)
    values = [*others, canonical_json(told), job]
    try:
        if is_new:
            connection.execute(_INSERT_ROW, values)
        else:
            connection.execute(_UPDATE_ROW, values)
    except connection.driver.IntegrityError as error:
        raise ConflictError(
            f"repair order {row.ro} is open in another job; add to that one, or close it first"
        ) from error


_SELECT = f"SELECT {', '.join(FIELDS)} FROM records"  # noqa: S608
_INSERT_ROW = (
    "INSERT INTO jobs (ro, status, opened_at, updated_at, length, head, summary, id) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
_UPDATE_ROW = (
    "UPDATE jobs SET ro = ?, status = ?, opened_at = ?, updated_at = ?, length = ?, head = ?, "
    "summary = ? WHERE id = ?"
)
