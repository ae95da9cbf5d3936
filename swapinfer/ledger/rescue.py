"""What of a store verifies, and saving it from a damaged file.

Rows of a damaged SQLite file are read page by page, without trusting any tree in it.

References
----------
SQLite, "Database File Format" (sqlite.org/fileformat2.html), sections 1.3 (header), 1.6 (b-tree
pages), 2.1 (records) and 4.1 (write-ahead log).
"""

from __future__ import annotations

import json
import mmap
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

import msgspec

from swapinfer.errors import ConflictError, InputError, LedgerError
from swapinfer.ledger.connection import MAGIC, files_of
from swapinfer.ledger.record import (
    FIELDS,
    GENESIS,
    Record,
    clock_steps,
    is_sealed,
    record_from_row,
)
from swapinfer.ledger.store import STATUSES, JobRow, Store, Summary, Tally
from swapinfer.pack.tables import digest_text

PACK_COLUMNS, INDEX_COLUMNS = 2, len(JobRow.__struct_fields__)


def check(store: Store) -> Tally:
    """Verify everything in a store, be it damaged; nothing in it is changed."""
    faults = list(_file_faults(store))
    remarks: list[str] = []
    jobs = records = 0
    packs: set[str] = set()
    rows = list[JobRow]()
    try:
        rows = store.jobs()
    except LedgerError as error:
        faults.append(str(error))
    for row in rows:
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
    return Tally(jobs, records, tuple(faults), tuple(remarks))


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


def rescue(damaged: Path, into: Store) -> Tally:
    """Save from a SQLite file what verifies: of every job, the records up to the first bad one.

    For lists the damaged file's own summaries are taken where they can be read. Faults are the jobs
    that are not whole.
    """
    if into.path is not None and into.path.absolute() == damaged.absolute():
        raise InputError(f"{damaged} cannot be rescued into itself; name a new store")
    found = _collect(damaged)
    for digest, text in found.packs.items():
        into.keep_pack(digest, text)
    jobs = records = 0
    losses: list[str] = []
    for job in sorted(found.records.keys() | found.rows.keys()):
        left, row = found.records.get(job, {}), found.rows.get(job)
        chain, previous = list[Record](), GENESIS
        while previous in left and left[previous].seq == len(chain):
            chain.append(left[previous])
            previous = chain[-1].digest
        try:
            _save(into, chain, {**row.summary, "status": row.status} if row else {})
        except LedgerError as error:
            losses.append(f"job {job}: not saved: {error}")
            continue
        jobs, records = jobs + 1, records + len(chain)
        written = max([row.length if row else 0, *(record.seq + 1 for record in left.values())])
        if written > len(chain):
            losses.append(
                f"job {chain[0].payload['ro']}: records 0 to {len(chain) - 1} of {written} saved; "
                f"record {len(chain)} is lost or altered, {len(left) - len(chain)} after it no "
                "longer follow"
            )
    return Tally(jobs, records, tuple(losses))


def _save(into: Store, chain: list[Record], summary: Summary) -> None:
    try:
        into.receive(chain, summary)
    except ConflictError:
        # Without its index row a job passes for open, beside one that is.
        into.receive(chain, {"status": "closed"})


class _Found(msgspec.Struct):
    """What a scan of a file brought to light; records and packs are verified, rows are not."""

    records: dict[str, dict[str, Record]] = {}  # job to its records by what they follow
    rows: dict[str, JobRow] = {}
    packs: dict[str, str] = {}


def _collect(damaged: Path) -> _Found:
    found = _Found()
    if not damaged.name:
        raise InputError(f"{damaged}: this is a folder; name a file in it")
    try:
        if not any(file.exists() for file in files_of(damaged)[:2]):
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
                found.records.setdefault(record.job, {})[record.previous] = record
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


Value: TypeAlias = int | float | str | bytes | None

USUAL_PAGE_SIZE = 4096
INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Serial type to size of an integer."""
MAX_PAYLOAD = 2**30


class UnreadableCellError(ValueError):
    """A place on a page does not hold a row."""


def scan_rows(path: Path) -> Iterator[tuple[Value, ...]]:
    """Yield whatever can be read as a row of a table, true or not; the caller must verify it.

    Neither the file nor the log beside it is changed. Old states of a row may come too, and the
    same row more than once.
    """
    _, log, _ = files_of(path)
    with _bytes_of(path) as data, _bytes_of(log) as log_data:
        for size in sorted({_page_size(data), USUAL_PAGE_SIZE}):
            images = _Images(data, log_data, size)
            for page in images:
                yield from _rows_on(page, images)


class _Images:
    """Page images of a database file and of the committed part of its log."""

    def __init__(self, data: bytes | mmap.mmap, log: bytes | mmap.mmap, size: int) -> None:
        self._data, self._size = data, size
        self._newer = _committed_pages(log, size)

    def __iter__(self) -> Iterator[bytes]:
        for start in range(0, len(self._data), self._size):
            yield self._data[start : start + self._size]
        yield from self._newer.values()

    def newest(self, number: int) -> bytes:
        if number in self._newer:
            return self._newer[number]
        start = (number - 1) * self._size
        if number < 1 or start >= len(self._data):
            raise UnreadableCellError("page outside the file")
        return self._data[start : start + self._size]


@contextmanager
def _bytes_of(path: Path) -> Iterator[bytes | mmap.mmap]:
    """Map a file that may be missing or empty into memory."""
    if not path.exists() or not path.stat().st_size:
        yield b""
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        yield content


def _page_size(data: bytes | mmap.mmap) -> int:
    size = int.from_bytes(data[16:18], "big") if data[:16] == MAGIC else 0
    size = 65536 if size == 1 else size
    return size if size >= 512 and size.bit_count() == 1 else USUAL_PAGE_SIZE


def _committed_pages(log: bytes | mmap.mmap, size: int) -> Mapping[int, bytes]:
    """Newest image of each page in the log, up to the last commit."""
    committed: dict[int, bytes] = {}
    pending: dict[int, bytes] = {}
    salts = log[16:24]
    for start in range(32, len(log) - size - 23, size + 24):
        number, pages_after_commit = struct.unpack(">II", log[start : start + 8])
        if log[start + 8 : start + 16] != salts:
            continue  # left over from before the log was begun anew
        pending[number] = log[start + 24 : start + 24 + size]
        if pages_after_commit:
            committed.update(pending)
            pending.clear()
    return committed


def _rows_on(page: bytes, images: _Images) -> Iterator[tuple[Value, ...]]:
    """Follow every cell pointer, whatever the page's header says of type and number."""
    header = 100 if page.startswith(MAGIC) else 0
    slot, content = header + 8, len(page)
    while slot + 2 <= content:
        cell = int.from_bytes(page[slot : slot + 2], "big")
        slot += 2
        if not slot <= cell < len(page):
            continue
        try:
            yield _record(_payload(page, cell, images))
        except (UnreadableCellError, UnicodeDecodeError, IndexError, struct.error):
            continue
        content = min(content, cell)


def _payload(page: bytes, cell: int, images: _Images) -> bytes:
    """Bytes of a cell of a table leaf, gathered from its overflow pages."""
    length, at = _varint(page, cell)
    _, at = _varint(page, at)
    if not 2 <= length <= MAX_PAYLOAD:
        raise UnreadableCellError("no payload of that length")
    usable = len(page)
    local = length
    if length > usable - 35:
        least = (usable - 12) * 32 // 255 - 23
        local = least + (length - least) % (usable - 4)
        local = local if local <= usable - 35 else least
    parts, missing = [page[at : at + local]], length - local
    number = int.from_bytes(page[at + local : at + local + 4], "big") if missing else 0
    while missing > 0:
        more = images.newest(number)
        parts.append(more[4 : 4 + missing])
        missing -= len(more) - 4
        number = int.from_bytes(more[:4], "big")
    payload = b"".join(parts)
    if len(payload) != length:
        raise UnreadableCellError("cut off")
    return payload


def _record(payload: bytes) -> tuple[Value, ...]:
    end, at = _varint(payload, 0)
    if not at < end <= len(payload):
        raise UnreadableCellError("no header of that length")
    values: list[Value] = []
    body = end
    while at < end:
        serial, at = _varint(payload, at)
        value, body = _value(serial, payload, body)
        values.append(value)
    if body != len(payload):
        raise UnreadableCellError("header and body do not fit")
    return tuple(values)


def _value(serial: int, payload: bytes, at: int) -> tuple[Value, int]:
    if serial in {0, 8, 9}:
        return {0: None, 8: 0, 9: 1}[serial], at
    if serial in INTEGER_BYTES:
        end = at + INTEGER_BYTES[serial]
        return int.from_bytes(payload[at:end], "big", signed=True), end
    if serial == 7:
        real: float = struct.unpack(">d", payload[at : at + 8])[0]
        return real, at + 8
    if serial < 12:
        raise UnreadableCellError("no such serial type")
    end = at + (serial - 12) // 2
    raw = payload[at:end]
    return (raw.decode() if serial % 2 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Big-endian base 128, at most nine bytes, the ninth whole."""
    value = 0
    for count in range(9):
        byte = data[at + count]
        if count == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    raise UnreadableCellError("unreachable")
