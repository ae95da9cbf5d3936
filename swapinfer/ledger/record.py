"""A record of the ledger: sealed by its digest, chained to its predecessor."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, TypeAlias

from msgspec import Struct, ValidationError, convert, structs

from swapinfer import __version__
from swapinfer.errors import InputError, LedgerError, misfit
from swapinfer.pack.tables import digest_text

JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"

GENESIS = "0" * 64
"""What the first record of a chain names as its predecessor."""

MAX_TEXT = 200
"""Longest name, type or repair-order number, in characters."""

_ENCODER = json.JSONEncoder(
    ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":")
)


class Record(Struct, frozen=True, forbid_unknown_fields=True):
    """One event as it stands in the store."""

    job: str  # opaque id
    seq: int  # position in the job's chain, from 0
    type: str
    payload: dict[str, Any]
    who: str
    at: str  # ISO 8601 with the offset from UTC; the order of events is `seq`, never this
    pack: str  # digest of the pack in force
    program: str  # version of the program that wrote it
    previous: str  # digest of the predecessor
    digest: str  # SHA-256, hexadecimal, of the other fields

    def to_json(self) -> dict[str, JSON]:
        """Fields by name, as an exchange file holds them."""
        return structs.asdict(self)

    def to_row(self) -> list[object]:
        """Fields in order, as the store's table holds them."""
        return [*{**self.to_json(), "payload": canonical_json(self.payload)}.values()]


FIELDS = Record.__struct_fields__
"""Names of a record's fields, in the order of the store's columns."""


TOO_LONG = 10**sys.int_info.default_max_str_digits
"""What Python does not read back unless it is told to, as no program need be."""


def canonical_json(value: object) -> str:
    """Write a value in the one form whose UTF-8 digests are taken of.

    Keys sorted by code point, no spaces, no escapes but those JSON demands, shortest floats;
    tuples count as lists. Refused are NaN, infinities, lone surrogates, keys that are no strings,
    objects that JSON has no word for, and what is nested too deeply.

    Notes
    -----
    Equal to RFC 8785 but for keys beyond the basic multilingual plane (there sorted by UTF-16
    unit) and for numbers, which keep Python's spelling (`1.0`, `1e+16`).
    """
    return _encode(_plain(value))


def _plain(value: object) -> JSON:
    """Copy a value into what reading its JSON back would give."""
    try:
        return _copy(value)
    except RecursionError as error:
        raise LedgerError("a value is nested too deeply to be recorded") from error


def _copy(value: object) -> JSON:
    if isinstance(value, int) and abs(value) >= TOO_LONG:
        raise LedgerError("a number of so many digits cannot be recorded")
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, (list, tuple)):
        return [_copy(item) for item in value]
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise LedgerError(f"key {key!r} cannot be recorded; keys are strings")
        return {key: _copy(item) for key, item in value.items()}
    raise LedgerError(f"a {type(value).__name__} cannot be recorded; JSON values can")


def _encode(value: object) -> str:
    try:
        text = _ENCODER.encode(value)
        text.encode()
    except UnicodeEncodeError as error:
        raise LedgerError("a text holds half a character (a lone surrogate)") from error
    except ValueError as error:
        raise LedgerError(f"a value cannot be recorded: {error}") from error
    return text


def seal(
    job: str,
    seq: int,
    type_name: str,
    payload: Mapping[str, object],
    *,
    who: str,
    at: str,
    pack: str,
    previous: str,
) -> Record:
    """Make the record that follows `previous`, with its digest and a copy of the payload."""
    check_text("the technician's name", who)
    check_text("an event type", type_name)
    as_utc(at)
    body: dict[str, JSON] = {
        "job": job, "seq": seq, "type": type_name, "payload": _plain(payload), "who": who, "at": at,
        "pack": pack, "program": __version__, "previous": previous,
    }  # fmt: skip
    return record_from_json({**body, "digest": digest_text(_encode(body))})


def record_from_json(fields: Mapping[str, object]) -> Record:
    """Read a record's fields back; whether it verifies is `verify_chain`'s business."""
    try:
        return convert(fields, Record)
    except ValidationError as error:
        raise LedgerError(f"a record cannot be read: {misfit(error)}") from error


def record_from_row(row: Sequence[object]) -> Record:
    """Read a record as the store's table holds it."""
    fields: dict[str, object] = dict(zip(FIELDS, row, strict=True))
    return record_from_json({**fields, "payload": json.loads(str(fields["payload"]))})


def verify_chain(records: Iterable[Record]) -> None:
    """Recompute every digest and link of one job's chain, and name the first that is wrong.

    Notes
    -----
    Whoever seals all later records anew and rewrites the store's index with them is not found by
    this alone, but by comparing the last digest with one kept elsewhere: in a write-up, an export
    or a backup.
    """
    job, previous = None, GENESIS
    for seq, record in enumerate(records):
        job = record.job if job is None else job
        fault = _fault(record, job, seq, previous)
        if fault:
            raise LedgerError(f"job {job}: record {seq} {fault}")
        previous = record.digest


def _fault(record: Record, job: str, seq: int, previous: str) -> str:
    if record.seq != seq:
        return f"is missing: record {record.seq} stands in its place"
    if not is_sealed(record):
        return "was altered: its content does not match its digest"
    if record.job != job:
        return f"belongs to another job ({record.job})"
    if record.previous != previous:
        return "does not follow its predecessor: one of the two was put in or exchanged"
    return ""


def is_sealed(record: Record) -> bool:
    """Whether the digest is that of the other fields."""
    body = record.to_json()
    digest = body.pop("digest")
    try:
        return digest_text(_encode(body)) == digest
    except (LedgerError, RecursionError, TypeError):
        return False


def clock_steps(records: Iterable[Record]) -> list[int]:
    """List the records that are dated before their predecessor: a clock was set back."""
    times = [as_utc(record.at) for record in records]
    return [seq for seq in range(1, len(times)) if times[seq] < times[seq - 1]]


def as_utc(at: str) -> datetime:
    """Read a time with its offset."""
    try:
        time = datetime.fromisoformat(at)
    except (TypeError, ValueError) as error:
        raise InputError(f'time "{at}" is not ISO 8601, e.g. 2031-05-04T09:30:00+02:00') from error
    if time.tzinfo is None:
        raise InputError(f'time "{at}" says no offset from UTC, e.g. 2031-05-04T09:30:00+02:00')
    try:
        return time.astimezone(UTC)
    except OverflowError as error:
        raise InputError(f'time "{at}" is outside the years 1 to 9999 in UTC') from error


def check_text(name: str, text: str) -> None:
    """Refuse a short text that is empty, too long or holds control characters."""
    if not text.strip() or len(text) > MAX_TEXT or any(ord(letter) < ord(" ") for letter in text):
        raise InputError(
            f"{name} must be 1 to {MAX_TEXT} characters without control characters, "
            f"got {text[:MAX_TEXT]!r}"
        )
