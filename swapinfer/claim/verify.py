"""Whether a file still says what its ledger says: chain, priors, every number, every byte."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from msgspec import Struct, ValidationError, convert, to_builtins
from msgspec.structs import replace

from swapinfer.claim.compare import as_masked, first_difference
from swapinfer.claim.compose import compose, summarise
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.pictures import digest_of_file, is_as_attached
from swapinfer.claim.printed import MARK, first_printed_difference
from swapinfer.claim.settings import ClaimSettings, Numbers
from swapinfer.claim.times import ROUNDED, dated_after
from swapinfer.claim.words import tell_changes, tell_priors
from swapinfer.claim.write import SHAPE, Claim, dump, pictures_of, seal_of, write_up
from swapinfer.errors import ClaimError, InputError, SwapinferError
from swapinfer.ledger.events import Attached, read_events
from swapinfer.ledger.exchange import JOB_FORMAT, MAX_BYTES, dump_document, read_document, read_seal
from swapinfer.ledger.record import Record, as_utc
from swapinfer.ledger.replay import Numbered, replay
from swapinfer.pack.tables import pack_from_json


class Verified(Struct, frozen=True):
    """What verifying a file found.

    Attributes
    ----------
    same : bool
        Whether nothing differs of what could be compared.
    difference : str
        The first thing that differs; empty if none.
    compared : tuple of str
        What was compared: ``"chain"``, ``"priors"``, ``"digest"`` (with the one expected),
        ``"pictures"``, ``"numbers"``, ``"bytes"``, ``"print"`` (of a PDF).
    facts : ClaimFacts or None
        All that the ledger in the file says, computed anew; None if something differs.
    priors : str
        Whether its priors are the published ones, in words.
    changes : tuple of str
        What of them is not, those first that weigh most on the answer; a few.
    remarks : tuple of str
        What stands at the stamp of its write-up.
    sealed : str
        Which of its events a seal shows to have existed; empty where none was given.
    summary : tuple of (str, str)
        What one looks for on the paper beside it, by name.
    """

    same: bool
    difference: str
    compared: tuple[str, ...]
    facts: ClaimFacts | None = None
    priors: str = ""
    changes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    sealed: str = ""
    summary: tuple[tuple[str, str], ...] = ()


def verify_file(
    path: Path,
    *,
    expect: str = "",
    written: Path | None = None,
    job: Path | None = None,
    seal: Path | None = None,
    now: datetime | None = None,
) -> Verified:
    """Verify an exported job, a write-up in JSON, or in PDF beside the one in JSON.

    Parameters
    ----------
    path : Path
        File made by exporting a job, or a write-up in JSON or PDF.
    expect : str, optional
        Digest of the ledger, as a write-up prints it.
    written : Path, optional
        The write-up in JSON, for one in PDF.
    job : Path, optional
        Exported job, for a write-up from which something was left out.
    seal : Path, optional
        Made by sealing the store that the job was in.
    now : datetime, optional
        Time after which no record can be dated; by default that of the clock.

    Returns
    -------
    Verified
        "Same", or the first difference.

    Raises
    ------
    InputError
        If a file cannot be read.

    Notes
    -----
    A job file alone proves that it is whole; that it is the job of a certain write-up is proved
    by `expect`, or by the numbers of the write-up in JSON.
    """
    raw, printed = _read(path), b""
    if raw.startswith(MARK):
        if written is None:
            raise InputError(
                f"{path}: a PDF is held against the write-up in JSON that was made with it: name "
                "that, --job claim.json"
            )
        raw, printed = _read(written), raw
        if _parse(raw).get("format") == JOB_FORMAT:
            raise InputError(
                f"{written}: an exported job does not say how it was written up; give the write-up "
                "in JSON"
            )
    elif written is not None:
        raise InputError(f"{path}: no PDF, so there is nothing to hold against {written}")
    sealed = None if seal is None else read_seal(seal)
    try:
        claim, compared = _verify(raw, _digest_typed(expect), None if job is None else _read(job))
        if printed:
            compared = _verify_print(printed, claim, compared)
    except _DifferenceError as found:
        return Verified(same=False, difference=str(found), compared=found.compared)
    published, numbers = claim.facts.published, Numbers(claim.settings)
    return Verified(
        same=True,
        difference="",
        compared=compared,
        facts=claim.facts,
        priors=tell_priors(published, numbers),
        changes=tell_changes(published, numbers),
        remarks=(*claim.document.warnings, *_still_to_come(claim, now or datetime.now(UTC))),
        sealed=_tell_seal(claim, *sealed) if sealed else "",
        summary=summarise(claim.facts, numbers),
    )


def _digest_typed(expect: str) -> str:
    """Read a digest as copied from paper or screen, with whatever broke its lines."""
    digest = re.sub(r"[\W_]", "", expect).lower()
    if digest and not re.fullmatch(r"[0-9a-f]{64}", digest):
        raise InputError(
            f"a digest has 64 figures and letters from a to f, got {len(digest)}: {digest[:70]}"
        )
    return digest


def _verify_print(printed: bytes, claim: Claim, compared: tuple[str, ...]) -> tuple[str, ...]:
    difference = first_printed_difference(printed, claim.document, paper=claim.settings.paper)
    if difference:
        raise _DifferenceError(difference, compared)
    return (*compared, "print")


class _DifferenceError(ClaimError):
    """The first difference, and what had been compared before it."""

    def __init__(self, message: str, compared: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.compared = compared


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"{path}: larger than {MAX_BYTES >> 20} MiB, so it is no such file")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _verify(raw: bytes, expect: str, job_raw: bytes | None) -> tuple[Claim, tuple[str, ...]]:
    document = _parse(raw)
    if document.get("format") == JOB_FORMAT:
        claim = _recompute(document, ClaimSettings(), expect)
        _same_bytes(raw, dump_document(document))
        compared: tuple[str, ...] = ("chain", "priors", "pictures")
    elif document.get("shape") == SHAPE:
        claim = _verify_claim(document, expect, job_raw)
        _same_bytes(raw, dump(document))
        compared = ("chain", "priors", "pictures", "numbers")
    else:
        raise _DifferenceError(f'neither an exported job ("{JOB_FORMAT}") nor a "{SHAPE}"')
    compared += ("digest", "bytes") if expect else ("bytes",)
    return claim, compared


def _tell_seal(claim: Claim, digest: str, heads: frozenset[str]) -> str:
    """Say which events there were when the store was sealed: a digest covers all before it."""
    known = [record.seq for record in claim.records if record.digest in heads]
    last = len(claim.records) - 1
    if not known:
        said = "none of this job's events is in it: begun, or written anew, after it was made"
    elif known[-1] == last:
        said = f"all events, #0 to #{last}, are as they were when it was made"
    else:
        said = (
            f"events #0 to #{known[-1]} are as they were when it was made; "
            f"#{known[-1] + 1} to #{last} are not in it"
        )
    return f"{said}; its digest is {digest}"


def _still_to_come(claim: Claim, now: datetime) -> Iterator[str]:
    """Yield what is dated after the time of this check."""
    numbers, written_at = Numbers(claim.settings), claim.settings.written_at
    if written_at and as_utc(written_at) > now + timedelta(minutes=ROUNDED):
        yield f"Times do not fit. The write-up is dated {numbers.moment(written_at)}."
    late = dated_after(claim.records, now)
    if late:
        first = f"#{late[0].seq}, {numbers.moment(late[0].detail)}"
        count = numbers.plain(len(late))
        yield f"Times do not fit. Dated later than this check: {count} events, the first {first}."


def _parse(raw: bytes) -> dict[str, Any]:
    try:
        document = json.loads(raw.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise _DifferenceError(f"damaged: {error}") from error
    if not isinstance(document, dict):
        raise _DifferenceError("damaged: not a JSON object")
    return document


def _verify_claim(document: dict[str, Any], expect: str, job_raw: bytes | None) -> Claim:
    if set(document) != {"shape", "settings", "facts", "job", "seal"}:
        raise _DifferenceError("it holds shape, settings, facts, job and seal, nothing else")
    job = document["job"] if job_raw is None else _parse(job_raw)
    if job is None:
        raise _DifferenceError("something was left out of it; give the exported job as well")
    settings = _settings(document["settings"])
    claim = _recompute(job, settings, expect)
    stated, fresh = document["facts"], json.loads(json.dumps(to_builtins(claim.facts)))
    if settings.redact:
        fresh = as_masked(fresh, stated)
    if _published_digest(stated) != claim.facts.published.digest:
        stated, fresh = _without_published(stated), _without_published(fresh)
    found = first_difference(stated, fresh, "facts")
    if found:
        raise _DifferenceError(found, ("chain", "priors"))
    if document["seal"] != seal_of(document):
        raise _DifferenceError("its seal is that of other content", ("chain", "priors", "numbers"))
    return _as_stated(claim, document["facts"]) if settings.redact else claim


def _as_stated(claim: Claim, stated: Any) -> Claim:  # noqa: ANN401  held against its ledger
    """Return a write-up that leaves out what its file does."""
    try:
        facts = replace(convert(stated, ClaimFacts), published=claim.facts.published)
    except ValidationError as error:
        raise _DifferenceError(f"facts: {error}") from error
    pictures = pictures_of(read_events(claim.records))
    return replace(claim, facts=facts, document=compose(facts, claim.settings, pictures))


def _published_digest(facts: Any) -> str | None:  # noqa: ANN401  whatever the file holds
    try:
        return str(facts["published"]["digest"])
    except (KeyError, TypeError):
        return None


def _without_published(facts: Any) -> Any:  # noqa: ANN401
    """Leave out what follows from the published priors, where they are those of another version."""
    try:
        draft = [reason for reason in facts["standing"]["draft"] if reason != "own priors"]
        kept = {name: value for name, value in facts.items() if name != "published"}
        return {**kept, "standing": {**facts["standing"], "draft": draft}}
    except (KeyError, TypeError, AttributeError):
        return facts


def _settings(table: Any) -> ClaimSettings:  # noqa: ANN401  whatever the file holds
    try:
        return convert(table, ClaimSettings)
    except (ValidationError, InputError) as error:
        raise _DifferenceError(f"settings: {error}") from error


def _recompute(document: object, settings: ClaimSettings, expect: str) -> Claim:
    """Check chain and priors, and write the job up again."""
    try:
        job = read_document(document)
        _require_head(job.records[-1].digest, expect)
        pack = pack_from_json(_pack_of(job.records, job.packs))
        events = read_events(job.records)
        _require_pictures(events)
        replayed = replay(events, pack)
        return write_up(replayed, job.records, settings=settings)
    except _DifferenceError:
        raise
    except SwapinferError as error:
        raise _DifferenceError(str(error)) from error


def _require_pictures(events: Iterable[Numbered]) -> None:
    for seq, event in events:
        if isinstance(event, Attached) and not is_as_attached(event):
            raise _DifferenceError(
                f"picture #{seq} is not the one that was attached: its file has the digest "
                f"{digest_of_file(event)}",
                ("chain", "priors"),
            )


def _require_head(head: str, expect: str) -> None:
    if expect and head != expect:
        raise _DifferenceError(f"another ledger: its last digest is {head}", ("chain", "priors"))


def _pack_of(records: list[Record], packs: dict[str, str]) -> str:
    for record in records:
        if record.pack not in packs:
            raise _DifferenceError(
                f"record {record.seq} was made under priors {record.pack[:12]}, which are not in "
                "the file"
            )
    return packs[records[0].pack]


def _same_bytes(raw: bytes, written: str) -> None:
    expected = written.encode()
    if raw == expected:
        return
    pairs = enumerate(zip(raw, expected, strict=False))
    at = next((n for n, (is_, was) in pairs if is_ != was), min(len(raw), len(expected)))
    raise _DifferenceError(f"byte {at} is not as this program writes it", ("chain", "priors"))
