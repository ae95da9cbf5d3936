"""The store: every job's chain of records, in SQLite or PostgreSQL."""

from __future__ import annotations

import difflib
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TypeAlias

from swapinfer.errors import ConflictError, JobError, LedgerError
from swapinfer.ledger.connect import RESCUE
from swapinfer.ledger.database import Database
from swapinfer.ledger.record import GENESIS, Record, check_text, digest_text, seal
from swapinfer.ledger.rows import (
    JobRow,
    Summary,
    extend_job,
    find_row,
    insert_job,
    list_rows,
    require_row,
    require_whole_job,
    update_row,
    verified_chain,
)

Check: TypeAlias = Callable[[list[Record]], None]
"""Sees the records before the new one and raises if that must not follow."""


class Store(Database):
    """An open store; use it as a context manager, from one thread at a time.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "shop.db") as store:
    ...     by = {"who": "T. Echnician", "at": "2031-05-04T09:30:00+02:00", "pack": "0" * 64}
    ...     job = store.create_job("RO-1", {}, **by).job
    ...     _ = store.append(job, "noted", {"text": "misfires when wet"}, **by)
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
            insert_job(connection, [first], summary)
        return first

    def append(  # noqa: PLR0913  what a record holds, and what guards it
        self,
        job: str,
        type_name: str,
        payload: Mapping[str, object],
        *,
        who: str,
        at: str,
        pack: str,
        expect_seq: int | None = None,
        check: Check | None = None,
        summary: Summary | None = None,
    ) -> Record:
        """Record an event; when this returns, it is on disk.

        Parameters
        ----------
        job, type_name, payload, who, at, pack
            As in `Record`.
        expect_seq, check, summary
            As in `append_all`.

        Returns
        -------
        Record
            As written.

        Raises
        ------
        JobError, ConflictError, LedgerError
            As `append_all` does.
        """
        (record,) = self.append_all(
            job, [(type_name, payload)], who=who, at=at, pack=pack,
            expect_seq=expect_seq, check=check, summary=summary,
        )  # fmt: skip
        return record

    def append_all(
        self,
        job: str,
        events: Sequence[tuple[str, Mapping[str, object]]],
        *,
        who: str,
        at: str,
        pack: str,
        expect_seq: int | None = None,
        check: Check | None = None,
        summary: Summary | None = None,
    ) -> list[Record]:
        """Record events that belong together: all of them, or none.

        Parameters
        ----------
        job, who, at, pack : str
            As in `Record`.
        events : sequence of (str, mapping)
            Type and payload of each.
        expect_seq : int, optional
            Position that the first must get: refuses them if someone else was first.
        check : Check, optional
            Called inside the transaction, while no other process can add to the job.
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
            row = require_row(connection, job, lock=True)
            if row.status == "moved":
                raise _moved(row)
            if expect_seq is not None and expect_seq != row.length:
                raise _overtaken(verified_chain(connection, row), row.ro, expect_seq)
            past = verified_chain(connection, row) if check or callable(summary) else []
            if check:
                check(list(past))
            new, previous = [], row.head
            for seq, (type_name, payload) in enumerate(events, row.length):
                new.append(
                    seal(job, seq, type_name, payload, who=who, at=at, pack=pack, previous=previous)
                )
                previous = new[-1].digest
            extend_job(connection, row, new, summary, past)
        return new

    def receive(self, chain: Sequence[Record], summary: Summary | None = None) -> int:
        """Take over a job's chain from elsewhere, as far as it is not here already.

        Parameters
        ----------
        chain : sequence of Record
            All records of one job.
        summary : Summary, optional
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
            row = find_row(connection, chain[0].job, lock=True)
            if row is None:
                insert_job(connection, chain, summary)
                return len(chain)
            for mine, theirs in zip(verified_chain(connection, row), chain, strict=False):
                if mine.digest != theirs.digest:
                    raise ConflictError(
                        f"job {row.ro} went on differently here: record {mine.seq} is by "
                        f"{mine.who} ({mine.type}), there by {theirs.who} ({theirs.type})"
                    )
            new = chain[row.length :]
            if new or row.status == "moved":
                extend_job(connection, row, new, summary, chain[: row.length])
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
            row = require_row(connection, job, lock=True)
            if row.status == "moved":
                raise _moved(row)
            deliver(row, verified_chain(connection, row))
            update_row(connection, replace(row, status="moved"))

    def records(self, job: str) -> list[Record]:
        """All records of a job, verified.

        Parameters
        ----------
        job : str
            Its id.

        Returns
        -------
        list of Record
            In order.

        Raises
        ------
        JobError
            If there is no such job.
        LedgerError
            If the chain does not verify, naming the first bad record.
        """
        with self.reading() as connection:
            return verified_chain(connection, require_row(connection, job))

    def jobs(self, status: str | None = None, *, limit: int | None = None) -> list[JobRow]:
        """List jobs from the index, last changed first.

        Parameters
        ----------
        status : str, optional
            One of `STATUSES`; all without it.
        limit : int, optional
            How many at most.

        Returns
        -------
        list of JobRow
            No job is replayed for it.
        """
        clauses, values = "ORDER BY updated_at DESC, ro DESC", list[object]()
        if status is not None:
            clauses, values = f"WHERE status = ? {clauses}", [status]
        if limit is not None:
            clauses, values = f"{clauses} LIMIT ?", [*values, limit]
        with self.reading() as connection:
            return list_rows(connection, clauses, values)

    def job(self, job: str) -> JobRow:
        """Find what the index knows of a job.

        Raises
        ------
        JobError
            If there is no such job.
        """
        with self.reading() as connection:
            return require_row(connection, job)

    def find_job(self, ro: str) -> JobRow:
        """Find the job of a repair order: the open one, else the one changed last.

        Raises
        ------
        JobError
            If there is none, with the open one that was probably meant.
        """
        with self.reading() as connection:
            found = list_rows(
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

    def setting(self, key: str) -> str | None:
        """Value of a setting, None where it was never set."""
        return self._value("SELECT value FROM settings WHERE key = ?", key)

    def keep_setting(self, key: str, value: str) -> None:
        """Set a setting."""
        with self.writing() as connection:
            connection.execute(
                "INSERT INTO settings (key, value) VALUES (?, ?) "
                "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                [key, value],
            )

    def current_job(self, user: str) -> str | None:
        """Id of the job that a user works on."""
        return self.setting(f"current job of {user}")

    def choose_job(self, user: str, job: str) -> None:
        """Make a job the one that a user works on."""
        self.keep_setting(f"current job of {user}", job)

    def _value(self, query: str, key: str) -> str | None:
        with self.reading() as connection:
            rows = connection.execute(query, [key])
        return rows[0][0] if rows else None


def _overtaken(chain: Sequence[Record], ro: str, expected: int) -> ConflictError:
    last = chain[-1]
    return ConflictError(
        f"job {ro}: record {expected} was to be next, but {len(chain)} are there; the last is by "
        f"{last.who} ({last.type}, {last.at}); look at it and repeat"
    )


def _moved(row: JobRow) -> JobError:
    return JobError(f"job {row.ro} was moved to another store; go on there")
