"""What of a store verifies, and saving it from a damaged file."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import msgspec

from swapinfer.errors import ConflictError, InputError, LedgerError
from swapinfer.ledger.pages import Value, scan_rows
from swapinfer.ledger.record import (
    FIELDS,
    GENESIS,
    JSON,
    Record,
    clock_steps,
    digest_text,
    is_sealed,
    record_from_row,
)
from swapinfer.ledger.store import STATUSES, JobRow, Store, Summary, SumUp, require_whole_job

PACK_COLUMNS, INDEX_COLUMNS = 2, len(JobRow.__struct_fields__)


class Checked(msgspec.Struct, frozen=True):
    """What a check of a store found.

    Attributes
    ----------
    jobs, records : int
        How many verify.
    faults : tuple of str
        What does not verify, one line each.
    remarks : tuple of str
        What is odd but no fault: a clock set back, a pack not kept.
    """

    jobs: int
    records: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


class Rescued(msgspec.Struct, frozen=True):
    """What was saved from a damaged file.

    Attributes
    ----------
    jobs, records, packs : int
        How many were saved.
    losses : tuple of str
        One line for each job that is not whole.
    """

    jobs: int
    records: int
    packs: int
    losses: tuple[str, ...]


def check(store: Store) -> Checked:
    """Verify everything in a store, be it damaged; nothing in it is changed."""
    faults = list(_file_faults(store))
    remarks: list[str] = []
    jobs = records = 0
    packs: set[str] = set()
    for row in _index_rows(store, faults):
        try:
            chain = store.records(row.job)
        except LedgerError as error:
            faults.append(str(error))
            continue
        jobs, records = jobs + 1, records + len(chain)
        packs |= {record.pack for record in chain}
        if chain[0].payload.get("ro") != row.ro:
            faults.append(f"job {row.job}: the index has another repair order ({row.ro})")
        remarks.extend(
            f"job {row.ro}: record {seq} is dated before record {seq - 1}: a clock was set back"
            for seq in clock_steps(chain)
        )
    for digest in sorted(packs):
        try:
            store.pack(digest)
        except LedgerError as error:
            remarks.append(str(error))
    return Checked(jobs, records, tuple(faults), tuple(remarks))


def _index_rows(store: Store, faults: list[str]) -> list[JobRow]:
    try:
        return store.jobs()
    except LedgerError as error:
        faults.append(str(error))
        return []


def _file_faults(store: Store) -> Iterator[str]:
    """Damage that no chain shows: of the file's structure, and records that no job owns."""
    orphans = "SELECT DISTINCT job FROM records WHERE job NOT IN (SELECT id FROM jobs)"
    try:
        with store.reading() as connection:
            if store.path is not None:
                for (line,) in connection.execute("PRAGMA integrity_check(20)"):
                    if line != "ok":
                        yield f"store {store}: {' '.join(str(line).split())}"
            for (job,) in connection.execute(orphans):
                yield f"job {job}: the index does not know it, but records of it are there"
    except LedgerError as error:
        yield str(error)


def rescue(damaged: Path, into: Store, sum_up: SumUp | None = None) -> Rescued:
    """Save from a SQLite file what verifies: of every job, the records up to the first bad one.

    Parameters
    ----------
    damaged : Path
        File of the store, its log beside it; neither is changed.
    into : Store
        Usually a new one; what is there already stays.
    sum_up : SumUp, optional
        For lists; without one, the damaged file's own summaries are taken where readable.

    Raises
    ------
    InputError
        If the file cannot be read or is the file of `into`.
    LedgerError
        If nothing at all in it verifies.
    """
    if into.path is not None and into.path.absolute() == damaged.absolute():
        raise InputError(f"{damaged} cannot be rescued into itself; name a new store")
    found = _collect(damaged)
    for digest, text in found.packs.items():
        into.keep_pack(digest, text)
    jobs = records = 0
    losses: list[str] = []
    for job in sorted(found.records.keys() | found.rows.keys()):
        chain = _prefix(found.records[job])
        try:
            _save(into, chain, sum_up or _last_summary(found.rows.get(job)))
        except LedgerError as error:
            losses.append(f"job {job}: not saved: {error}")
            continue
        jobs, records = jobs + 1, records + len(chain)
        losses.extend(_loss(chain, found.records[job], found.rows.get(job)))
    return Rescued(jobs, records, len(found.packs), tuple(losses))


class _Found:
    """What a scan of a file brought to light; records and packs are verified, rows are not."""

    def __init__(self) -> None:
        self.records: defaultdict[str, dict[str, Record]] = defaultdict(dict)
        self.rows: dict[str, JobRow] = {}
        self.packs: dict[str, str] = {}


def _collect(damaged: Path) -> _Found:
    found = _Found()
    if not damaged.name:
        raise InputError(f"{damaged}: this is a folder; name a file in it")
    try:
        if not damaged.exists() and not damaged.with_name(damaged.name + "-wal").exists():
            raise InputError(f"{damaged}: there is no such file, nor a log of it")
        for row in scan_rows(damaged):
            _sort_in(row, found)
    except OSError as error:
        raise InputError(f"{damaged}: cannot be read: {error.strerror}") from error
    if not (found.records or found.rows or found.packs):
        raise LedgerError(f"{damaged}: nothing in it verifies; was it ever a store?")
    return found


def _sort_in(row: tuple[Value, ...], found: _Found) -> None:
    try:
        if len(row) == len(FIELDS):
            record = record_from_row(row)
            if is_sealed(record):
                found.records[record.job][record.previous] = record
        elif len(row) == PACK_COLUMNS:
            digest, text = row
            if isinstance(text, str) and isinstance(digest, str) and digest_text(text) == digest:
                found.packs[digest] = text
        elif len(row) in {INDEX_COLUMNS - 1, INDEX_COLUMNS}:
            index = _index_row(row)
            known = found.rows.get(index.job)
            if known is None or known.length <= index.length:
                found.rows[index.job] = index
    except (LedgerError, TypeError, ValueError, RecursionError):
        return  # not what it looked like


def _index_row(row: tuple[Value, ...]) -> JobRow:
    """Read an index row, of the first schema too, which had no summaries."""
    summary = json.loads(str(row[7])) if len(row) > 7 else {}
    fields = zip(JobRow.__struct_fields__, [*row[:7], summary], strict=True)
    index = msgspec.convert(dict(fields), JobRow)
    if index.status not in STATUSES or len(index.head) != len(GENESIS):
        raise LedgerError("no index row")
    return index


def _prefix(by_previous: dict[str, Record]) -> list[Record]:
    chain: list[Record] = []
    follower = by_previous.get(GENESIS)
    while follower is not None and follower.seq == len(chain):
        chain.append(follower)
        follower = by_previous.get(follower.digest)
    return chain


def _last_summary(row: JobRow | None) -> dict[str, JSON]:
    if row is None:
        return {}
    return {**row.summary, "status": row.status}


def _save(into: Store, chain: list[Record], summary: Summary | SumUp) -> None:
    require_whole_job(chain)
    try:
        into.receive(chain, summary)
    except ConflictError:
        # Without its index row a job passes for open, beside one that is.
        into.receive(chain, {"status": "closed"})


def _loss(chain: list[Record], found: dict[str, Record], row: JobRow | None) -> Iterator[str]:
    written = max([row.length if row else 0, *(record.seq + 1 for record in found.values())])
    if written > len(chain):
        stranded = len(found) - len(chain)
        yield (
            f"job {chain[0].payload['ro']}: records 0 to {len(chain) - 1} of {written} saved; "
            f"record {len(chain)} is lost or altered, {stranded} after it no longer follow"
        )
