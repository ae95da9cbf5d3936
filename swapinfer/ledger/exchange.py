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
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NoReturn

from msgspec import Struct, ValidationError, convert, to_builtins

from swapinfer.drafts import draft_of, write_whole
from swapinfer.errors import InputError, LedgerError, SwapinferError, misfit
from swapinfer.ledger.connection import MAGIC, clear_errors, files_of
from swapinfer.ledger.record import JSON, Record, canonical_json
from swapinfer.ledger.store import JobRow, Store, Summary, SumUp, Tally, require_whole_job
from swapinfer.pack.tables import digest_text

JOB_FORMAT = "swapinfer-job/1"
BACKUP_FORMAT = "swapinfer-backup/1"
SEAL_FORMAT = "swapinfer-seal/1"

MAX_BYTES = 256 * 2**20
"""Largest job file that is read."""

FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What makes a spreadsheet take a text for a formula, full-width forms included."""


class Imported(Struct, frozen=True):
    """Which job was imported, and how many records of it were not there before."""

    job: str
    added: int


class JobFile(Struct, frozen=True, forbid_unknown_fields=True):
    """One job as a file holds it; see the module's description."""

    format: str
    records: list[Record]
    packs: dict[str, str]


def _file_of(store: Store, chain: list[Record]) -> JobFile:
    digests = sorted({record.pack for record in chain})
    return JobFile(JOB_FORMAT, chain, {d: store.pack(d) for d in digests if store.has_pack(d)})


def job_document(store: Store, job: str) -> dict[str, JSON]:
    """Make the object that a job file holds."""
    job_file = _file_of(store, store.records(job))
    return document_of(job_file.records, job_file.packs)


def document_of(chain: Iterable[Record], packs: Mapping[str, str]) -> dict[str, JSON]:
    """Make the object that a job file holds of a chain and the packs that it names."""
    document: dict[str, JSON] = to_builtins(JobFile(JOB_FORMAT, list(chain), dict(packs)))
    return document


def dump_document(document: object) -> str:
    """Write a job file's object in the one way that verifying a file accepts."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def export_job(store: Store, job: str, path: Path) -> None:
    """Write a job to a new file, whole or not at all."""
    _write_new(path, dump_document(job_document(store, job)))


def seal_store(store: Store, path: Path) -> str:
    """Write the last digest of every job to a new file, with no names and in no telling order.

    Returned is the digest of the file: given away in time, it shows which records there were.
    """
    text = "".join(f"{line}\n" for line in (SEAL_FORMAT, *sorted(row.head for row in store.jobs())))
    _write_new(path, text)
    return digest_text(text)


def read_seal(path: Path) -> tuple[str, frozenset[str]]:
    """Read such a file: its digest, and the digests in it."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read: {error}") from error
    first, *heads = text.splitlines() or [""]
    if first != SEAL_FORMAT:
        raise InputError(f'{path}: no seal; its first line must be "{SEAL_FORMAT}"')
    return digest_text(text), frozenset(heads)


def import_job(store: Store, path: Path, sum_up: SumUp | None = None) -> Imported:
    """Take over the job of a file, if all of it verifies, as `Store.receive` does."""
    with _naming(path):
        if path.stat().st_size > MAX_BYTES:
            raise LedgerError(f"larger than {MAX_BYTES >> 20} MiB, so it is no job file")
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError as error:
            raise LedgerError("damaged, or no job file: not UTF-8") from error
        return _take(store, read_document(_parse(text)), sum_up)


def read_document(document: object) -> JobFile:
    """Read a job file's object, as parsed from JSON, refusing what does not verify."""
    if not isinstance(document, dict) or document.get("format") != JOB_FORMAT:
        raise LedgerError(f'no job file; its "format" must be "{JOB_FORMAT}"')
    try:
        job = convert(document, JobFile)
    except ValidationError as error:
        raise LedgerError(f"damaged, or no job file: {misfit(error)}") from error
    require_whole_job(job.records)
    for digest, text in job.packs.items():
        if digest_text(text) != digest:
            raise LedgerError(f"pack {digest[:12]} was altered: its text has another digest")
    return job


def move_job(source: Store, target: Store, job: str) -> int:
    """Move a job to another store, where it goes on; here it stays readable.

    Moving a job back adds what was recorded there. Returned is how many records were new. If
    either store cannot be used, the job is still in the source, and moving it may be repeated.
    """
    if str(source) == str(target):
        raise InputError(f"the job is in store {target} already; name another store")

    def deliver(row: JobRow, chain: list[Record]) -> int:
        told = {**row.summary, "status": row.status}
        return _take(target, _file_of(source, chain), told).added

    return source.hand_over(job, deliver)


def backup(store: Store, path: Path) -> list[str]:
    """Copy a store to a new file while others may write to it.

    The copy of a SQLite store is a store, whatever is in it. That of a PostgreSQL store is JSON
    lines; returned is what was left out of it because it does not verify.
    """
    with _new_file(path) as draft:
        if store.path is None:
            return _write_lines(store, draft)
        with store.reading() as connection, closing(sqlite3.connect(draft)) as copy:
            connection.driver.backup(copy)
            copy.execute("PRAGMA journal_mode = WAL")
    return []


def restore(store: Store, path: Path, sum_up: SumUp | None = None) -> Tally:
    """Take over every job of a backup of a store of either kind into an empty one, or none."""
    if there := len(store.jobs()):
        raise LedgerError(
            f"store {store} holds {there} job{'s' if there > 1 else ''} already, and restoring "
            "overwrites nothing; name an empty store with --store"
        )
    with _naming(path):
        for _ in _read_backup(path):
            pass  # all of it verifies before any of it is taken
        with store.writing():
            added = [_take(store, job, sum_up).added for job in _read_backup(path)]
    return Tally(len(added), sum(added))


def _read_backup(path: Path) -> Iterator[JobFile]:
    with path.open("rb") as file:
        is_store = file.read(len(MAGIC)) == MAGIC
    return _read_store(path) if is_store else _read_lines(path)


def _read_store(path: Path) -> Iterator[JobFile]:
    """Read jobs from a copy: opening a store may bring it to the present schema."""
    with tempfile.TemporaryDirectory(prefix="swapinfer-") as folder:
        copy = Path(folder) / path.name
        shutil.copyfile(path, copy)
        with Store.open(copy, create=False) as kept:
            for row in kept.jobs():
                yield read_document(job_document(kept, row.job))


def write_csv(tables: Mapping[Path, Iterable[Mapping[str, object]]]) -> None:
    """Write tables for spreadsheets, none of whose cells acts as a formula: all, or none.

    A row is column to value; the first row's columns count, and numbers stay numbers. A file that
    is there already is replaced.

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


def _take(store: Store, job: JobFile, summary: Summary | SumUp | None) -> Imported:
    for digest, text in job.packs.items():
        store.keep_pack(digest, text)
    return Imported(job.records[0].job, store.receive(job.records, summary))


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


def _read_lines(path: Path) -> Iterator[JobFile]:
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
    except UnicodeDecodeError as error:
        raise LedgerError("damaged: not UTF-8") from error
    raise LedgerError(f"damaged: {jobs} jobs are in it, and its last line does not say so")


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Say of what is wrong in here in which file it is."""
    try:
        yield
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except SwapinferError as error:
        raise type(error)(f"{path}: {error}") from error


def _write_new(path: Path, text: str) -> None:
    with _new_file(path) as draft:
        draft.write_text(text, encoding="utf-8")


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
            for file in files_of(draft):
                file.unlink(missing_ok=True)
