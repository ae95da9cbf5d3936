"""Jobs in files: one job as JSON, tables as CSV, backups, and moves between stores.

A job file is one JSON object:

``format``
    ``"swapinfer-job/1"``.
``records``
    The job's records in order, each with the fields of `Record`.
``packs``
    Digest to text of every pack that a record names and the store keeps.

A backup of a PostgreSQL store is one JSON value a line: ``{"format": "swapinfer-backup/1"}``,
then a job file's object for each job, then ``{"jobs": n}``. That of a SQLite store is a store.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from swapinfer.drafts import draft_of, write_whole
from swapinfer.errors import InputError, LedgerError, SwapinferError
from swapinfer.ledger.connect import clear_errors
from swapinfer.ledger.pages import MAGIC
from swapinfer.ledger.record import JSON, Record, canonical_json, digest_text, record_from_json
from swapinfer.ledger.rows import JobRow, Summary, require_whole_job
from swapinfer.ledger.store import Store

JOB_FORMAT = "swapinfer-job/1"
BACKUP_FORMAT = "swapinfer-backup/1"

MAX_BYTES = 256 * 2**20
"""Largest job file that is read."""

FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What makes a spreadsheet take a text for a formula, full-width forms included."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did.

    Attributes
    ----------
    job : str
        Id of the job.
    added : int
        Records that were not there before; 0 for a file imported already.
    """

    job: str
    added: int


@dataclass(frozen=True, slots=True)
class Restored:
    """How many jobs and records a backup brought back."""

    jobs: int
    records: int


def job_document(store: Store, job: str) -> dict[str, JSON]:
    """Make the object that a job file holds.

    Parameters
    ----------
    store : Store
        Where the job is.
    job : str
        Its id.

    Returns
    -------
    dict
        As this module's description says.

    Raises
    ------
    JobError
        If there is no such job.
    LedgerError
        If its chain does not verify.
    """
    chain = store.records(job)
    return document_of(chain, dict(_packs_of(store, chain)))


def document_of(chain: Iterable[Record], packs: Mapping[str, str]) -> dict[str, JSON]:
    """Make the object that a job file holds of a chain and the packs that it names."""
    records: list[JSON] = [record.to_json() for record in chain]
    return {"format": JOB_FORMAT, "records": records, "packs": dict(packs)}


def dump_document(document: object) -> str:
    """Write a job file's object in the one way that verifying a file accepts."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def export_job(store: Store, job: str, path: Path) -> None:
    """Write a job to a new file, whole or not at all.

    Raises
    ------
    InputError
        If the file is there already.
    LedgerError
        If the job cannot be read or the file cannot be written.
    """
    text = dump_document(job_document(store, job))
    with _new_file(path) as draft:
        draft.write_text(text, encoding="utf-8")


def import_job(store: Store, path: Path, summary: Summary | None = None) -> Imported:
    """Take over the job of a file; one that is here already is left as it is.

    Parameters
    ----------
    store : Store
        Where it goes.
    path : Path
        File made by `export_job`.
    summary : Summary, optional
        For lists.

    Returns
    -------
    Imported
        What was new.

    Raises
    ------
    LedgerError
        If anything in the file does not verify; nothing of it is taken over then.
    ConflictError
        If the job went on differently here, or its repair order is open in another job.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise LedgerError(f"{path}: larger than {MAX_BYTES >> 20} MiB, so it is no job file")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise LedgerError(f"{path}: damaged, or no job file: not UTF-8") from error
    with _naming(str(path)):
        chain, packs = read_document(_parse(text))
        return _take(store, chain, packs, summary)


def read_document(document: object) -> tuple[list[Record], dict[str, str]]:
    """Read and verify a job file's object.

    Parameters
    ----------
    document : object
        As parsed from JSON.

    Returns
    -------
    records : list of Record
        A whole chain that verifies.
    packs : dict of str to str
        Texts by digest.

    Raises
    ------
    LedgerError
        At the first thing that does not verify.
    """
    if not isinstance(document, dict) or document.get("format") != JOB_FORMAT:
        raise LedgerError(f'no job file; its "format" must be "{JOB_FORMAT}"')
    records, packs = document.get("records"), document.get("packs")
    if set(document) != {"format", "records", "packs"} or not isinstance(records, list):
        raise LedgerError('a job file holds "format", a list "records" and "packs", nothing else')
    if not isinstance(packs, dict) or not all(isinstance(text, str) for text in packs.values()):
        raise LedgerError('"packs" must hold texts by digest')
    if not all(isinstance(record, dict) for record in records):
        raise LedgerError('"records" must hold objects')
    chain = [record_from_json(record) for record in records]
    require_whole_job(chain)
    for digest, text in packs.items():
        if digest_text(text) != digest:
            raise LedgerError(f"pack {digest[:12]} was altered: its text has another digest")
    return chain, packs


def move_job(source: Store, target: Store, job: str) -> int:
    """Move a job to another store, where it goes on; here it stays readable.

    Parameters
    ----------
    source, target : Store
        Of either kind.
    job : str
        Its id.

    Returns
    -------
    int
        Records that were new to the target. Moving a job back adds what was recorded there.

    Raises
    ------
    InputError
        If both are the same store.
    ConflictError
        If the job went on differently in the target.
    LedgerError
        If either store cannot be used; the job is then still in the source, and moving it may
        simply be repeated.
    """
    if str(source) == str(target):
        raise InputError(f"the job is in store {target} already; name another store")
    added = 0

    def deliver(row: JobRow, chain: list[Record]) -> None:
        nonlocal added
        packs = dict(_packs_of(source, chain))
        added = _take(target, chain, packs, {**row.summary, "status": row.status}).added

    source.hand_over(job, deliver)
    return added


def backup(store: Store, path: Path) -> list[str]:
    """Copy a store while others may write to it.

    Parameters
    ----------
    store : Store
        Of either kind.
    path : Path
        New file: a store for SQLite, JSON lines for PostgreSQL.

    Returns
    -------
    list of str
        What was left out because it does not verify; SQLite copies it as it is.

    Raises
    ------
    InputError
        If the file is there already.
    LedgerError
        If it cannot be written.
    """
    with _new_file(path) as draft:
        if store.path is None:
            return _write_lines(store, draft)
        with store.reading() as connection, closing(sqlite3.connect(draft)) as copy:
            connection.driver.backup(copy)
            copy.execute("PRAGMA journal_mode = WAL")
    return []


def restore(store: Store, path: Path, summary: Summary | None = None) -> Restored:
    """Take over every job of a backup into an empty store.

    Parameters
    ----------
    store : Store
        Where they go, of either kind.
    path : Path
        Made by `backup` from a store of either kind; it is not touched.
    summary : Summary, optional
        For lists.

    Returns
    -------
    Restored

    Raises
    ------
    LedgerError
        If the store has jobs already, or anything in the file does not verify or its end is
        missing; nothing is taken over then.
    """
    if there := len(store.jobs()):
        raise LedgerError(
            f"store {store} holds {there} job{'s' if there > 1 else ''} already, and restoring "
            "overwrites nothing; name an empty store with --store"
        )
    with _naming(str(path)):
        for _ in _read_backup(path):
            pass  # all of it verifies before any of it is taken
        with store.writing():
            found = _read_backup(path)
            added = [_take(store, chain, packs, summary).added for chain, packs in found]
    return Restored(len(added), sum(added))


def _read_backup(path: Path) -> Iterator[tuple[list[Record], dict[str, str]]]:
    try:
        with path.open("rb") as file:
            is_store = file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}") from error
    return _read_store(path) if is_store else _read_lines(path)


def _read_store(path: Path) -> Iterator[tuple[list[Record], dict[str, str]]]:
    """Read jobs from a copy: opening a store may bring it to the present schema."""
    with tempfile.TemporaryDirectory(prefix="swapinfer-") as folder:
        copy = Path(folder) / path.name
        shutil.copyfile(path, copy)
        with Store.open(copy, create=False) as kept:
            for row in kept.jobs():
                yield read_document(job_document(kept, row.job))


def write_csv(tables: Mapping[Path, Iterable[Mapping[str, object]]]) -> None:
    """Write tables for spreadsheets, none of whose cells acts as a formula: all, or none.

    Parameters
    ----------
    tables : mapping of Path to iterable of mapping
        Rows of each file, column to value; the first row's columns count. Numbers stay numbers.
        A file that is there already is replaced.

    Raises
    ------
    LedgerError
        If a file cannot be written.

    References
    ----------
    OWASP, "CSV Injection": an apostrophe before what could begin a formula.
    """
    contents = {path: _csv(rows) for path, rows in tables.items()}
    with clear_errors(", ".join(map(str, tables))):
        write_whole(contents)


def _csv(rows: Iterable[Mapping[str, object]]) -> bytes:
    table = list(rows)
    columns = list(table[0]) if table else []
    file = io.StringIO(newline="")
    writer = csv.writer(file, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow([_cell(column) for column in columns])
    writer.writerows([_cell(row.get(column)) for column in columns] for row in table)
    return file.getvalue().encode()


def _cell(value: object) -> object:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return value
    text = "" if value is None else str(value)
    harmful = text.lstrip().startswith(FORMULA_STARTS) or text[:1] in {"\t", "\r", "\n", "\0"}
    return "'" + text if harmful else text


def _packs_of(store: Store, chain: Sequence[Record]) -> Iterator[tuple[str, str]]:
    for digest in sorted({record.pack for record in chain}):
        if store.has_pack(digest):
            yield digest, store.pack(digest)


def _take(
    store: Store, chain: Sequence[Record], packs: Mapping[str, str], summary: Summary | None
) -> Imported:
    for digest, text in packs.items():
        store.keep_pack(digest, text)
    return Imported(chain[0].job, store.receive(chain, summary))


def _parse(text: str) -> object:
    try:
        document: object = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise LedgerError(f"damaged, or not JSON: {error}") from error
    return document


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")


def _write_lines(store: Store, path: Path) -> list[str]:
    left_out, jobs = [], 0
    with path.open("w", encoding="utf-8") as file:
        print(canonical_json({"format": BACKUP_FORMAT}), file=file)
        for row in store.jobs():
            try:
                line = canonical_json(job_document(store, row.job))
            except LedgerError as error:
                left_out.append(str(error))
                continue
            print(line, file=file)
            jobs += 1
        print(canonical_json({"jobs": jobs}), file=file)
        file.flush()
        os.fsync(file.fileno())
    return left_out


def _read_lines(path: Path) -> Iterator[tuple[list[Record], dict[str, str]]]:
    try:
        with path.open(encoding="utf-8") as file:
            if _parse(file.readline()) != {"format": BACKUP_FORMAT}:
                raise LedgerError(f'no backup; its first line must be format "{BACKUP_FORMAT}"')
            jobs = 0
            for line in file:
                document = _parse(line)
                if isinstance(document, dict) and set(document) == {"jobs"}:
                    if document["jobs"] != jobs:
                        break
                    return
                yield read_document(document)
                jobs += 1
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise LedgerError("damaged: not UTF-8") from error
    raise LedgerError(f"damaged: {jobs} jobs are in it, and its last line does not say so")


@contextmanager
def _naming(path: str) -> Iterator[None]:
    try:
        yield
    except SwapinferError as error:
        raise type(error)(f"{path}: {error}") from error


@contextmanager
def _new_file(path: Path) -> Iterator[Path]:
    """Give a draft of the owner's alone that becomes `path` when all went well."""
    draft = draft_of(path)
    with clear_errors(str(path)):
        if path.exists():
            raise InputError(f"{path} is there already; name a new file")
        try:
            os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            yield draft
            os.link(draft, path)
        finally:
            for suffix in ("", "-wal", "-shm"):
                draft.with_name(draft.name + suffix).unlink(missing_ok=True)
