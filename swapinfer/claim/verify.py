"""Whether a file still says what its ledger says: chain, priors, every number, every byte."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from msgspec import Struct, ValidationError, convert, to_builtins
from msgspec.structs import replace

from swapinfer.claim.document import PDF, first_printed_difference
from swapinfer.claim.doubts import ROUNDED, dated_after
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.pictures import digest_of_file, is_as_attached
from swapinfer.claim.redact import as_masked
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.words import Numbers, tell_changes, tell_priors
from swapinfer.claim.write import SHAPE, Claim, compose, dump, seal_of, summarise_facts, write_up
from swapinfer.errors import ClaimError, InputError, SwapinferError
from swapinfer.ledger.events import Attached, read_events
from swapinfer.ledger.exchange import JOB_FORMAT, MAX_BYTES, dump_document, read_document, read_seal
from swapinfer.ledger.record import as_utc
from swapinfer.ledger.replay import replay
from swapinfer.pack.tables import pack_from_json

CLOSE = 1e-9  # relative difference that rounding may make on another machine


class Verified(Struct, frozen=True):
    """What verifying a file found: the first difference, or what was compared and can be told.

    Compared are ``"chain"``, ``"priors"``, ``"digest"`` (with the one expected), ``"pictures"``,
    ``"numbers"``, ``"bytes"``, ``"print"`` (of a PDF). Facts are computed anew; priors are told in
    words, with a few changes, those that weigh most; remarks are those at the stamp, the summary is
    what one looks for on the paper beside it, by name.
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


class _DifferenceError(ClaimError):
    """The first difference, and what had been compared before it."""

    def __init__(self, message: str, *compared: str) -> None:
        super().__init__(message)
        self.compared = compared


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

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    raw, printed = _read(path), b""
    if raw.startswith(PDF):
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
    typed, job_raw = _digest_typed(expect), None if job is None else _read(job)
    try:
        claim, compared = _verify(raw, typed, job_raw)
    except _DifferenceError as found:
        return Verified(same=False, difference=str(found), compared=found.compared)
    except SwapinferError as found:
        return Verified(same=False, difference=str(found), compared=())
    if printed:
        paper = claim.settings.paper
        if difference := first_printed_difference(printed, claim.document, paper=paper):
            return Verified(same=False, difference=difference, compared=compared)
        compared += ("print",)
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
        summary=summarise_facts(claim.facts, numbers),
    )


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"{path}: larger than {MAX_BYTES >> 20} MiB, so it is no such file")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _parse(raw: bytes) -> dict[str, Any]:
    try:
        document = json.loads(raw.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise _DifferenceError(f"damaged: {error}") from error
    if not isinstance(document, dict):
        raise _DifferenceError("damaged: not a JSON object")
    return document


def _digest_typed(expect: str) -> str:
    """Read a digest as copied from paper or screen, with whatever broke its lines."""
    digest = re.sub(r"[\W_]", "", expect).lower()
    if digest and not re.fullmatch(r"[0-9a-f]{64}", digest):
        raise InputError(
            f"a digest has 64 figures and letters from a to f, got {len(digest)}: {digest[:70]}"
        )
    return digest


def _verify(raw: bytes, expect: str, job_raw: bytes | None) -> tuple[Claim, tuple[str, ...]]:
    """Verify a job or a write-up in JSON, and say what of it was compared."""
    document = _parse(raw)
    compared: tuple[str, ...] = ("chain", "priors", "pictures")
    if document.get("format") == JOB_FORMAT:
        claim, again = _recompute(document, ClaimSettings(), expect), dump_document(document)
    elif document.get("shape") == SHAPE:
        claim, again = _verify_claim(document, expect, job_raw), dump(document)
        compared += ("numbers",)
    else:
        raise _DifferenceError(f'neither an exported job ("{JOB_FORMAT}") nor a "{SHAPE}"')
    if raw != (wanted := again.encode()):
        pairs = enumerate(zip(raw, wanted, strict=False))
        at = next((n for n, (is_, was) in pairs if is_ != was), min(len(raw), len(wanted)))
        raise _DifferenceError(f"byte {at} is not as this program writes it", "chain", "priors")
    return claim, (*compared, *(("digest",) if expect else ()), "bytes")


def _verify_claim(document: dict[str, Any], expect: str, job_raw: bytes | None) -> Claim:
    """Hold the facts in a file against those that its job leads to."""
    if set(document) != {"shape", "settings", "facts", "job", "seal"}:
        raise _DifferenceError("it holds shape, settings, facts, job and seal, nothing else")
    job = document["job"] if job_raw is None else _parse(job_raw)
    if job is None:
        raise _DifferenceError("something was left out of it; give the exported job as well")
    try:
        settings = convert(document["settings"], ClaimSettings)
    except (ValidationError, InputError) as error:
        raise _DifferenceError(f"settings: {error}") from error
    claim = _recompute(job, settings, expect)
    stated, fresh = document["facts"], json.loads(json.dumps(to_builtins(claim.facts)))
    if settings.redact:
        fresh = as_masked(fresh, stated)
    if _published_digest(stated) != claim.facts.published.digest:
        stated, fresh = _without_published(stated), _without_published(fresh)
    if found := first_difference(stated, fresh, "facts"):
        raise _DifferenceError(found, "chain", "priors")
    if document["seal"] != seal_of(document):
        raise _DifferenceError("its seal is that of other content", "chain", "priors", "numbers")
    if not settings.redact:
        return claim
    try:
        facts = replace(convert(document["facts"], ClaimFacts), published=claim.facts.published)
    except ValidationError as error:
        raise _DifferenceError(f"facts: {error}") from error
    shown = compose(facts, settings, read_events(claim.records))
    return replace(claim, facts=facts, document=shown)


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


def _recompute(document: object, settings: ClaimSettings, expect: str) -> Claim:
    """Check chain, priors and pictures, and write the job up again."""
    job = read_document(document)
    records, head = job.records, job.records[-1].digest
    if expect and head != expect:
        raise _DifferenceError(f"another ledger: its last digest is {head}", "chain", "priors")
    if missing := next((record for record in records if record.pack not in job.packs), None):
        raise _DifferenceError(
            f"record {missing.seq} was made under priors {missing.pack[:12]}, which are not in the "
            "file"
        )
    pack = pack_from_json(job.packs[records[0].pack])
    events = read_events(records)
    for seq, event in events:
        if isinstance(event, Attached) and not is_as_attached(event):
            said = "is not the one that was attached: its file has the digest"
            digest = digest_of_file(event)
            raise _DifferenceError(f"picture #{seq} {said} {digest}", "chain", "priors")
    return write_up(replay(events, pack), records, settings=settings)


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
    if late := dated_after(claim.records, now):
        first = f"#{late[0].seq}, {numbers.moment(late[0].detail)}"
        count = numbers.plain(len(late))
        yield f"Times do not fit. Dated later than this check: {count} events, the first {first}."


def first_difference(stated: object, computed: object, path: str) -> str:
    """Name the first place where two JSON values differ by more than rounding; empty if nowhere."""
    if isinstance(stated, dict) and isinstance(computed, dict) and stated.keys() == computed.keys():
        pairs = ((f"{path}.{key}", stated[key], computed[key]) for key in stated)
        return next(filter(None, (first_difference(s, c, p) for p, s, c in pairs)), "")
    if isinstance(stated, list) and isinstance(computed, list) and len(stated) == len(computed):
        items = enumerate(zip(stated, computed, strict=True))
        found = (first_difference(s, c, f"{path}[{n}]") for n, (s, c) in items)
        return next(filter(None, found), "")
    if isinstance(stated, float) and isinstance(computed, float):
        is_same = math.isclose(stated, computed, rel_tol=CLOSE, abs_tol=1e-12)
    else:
        is_same = type(stated) is type(computed) and stated == computed
    return "" if is_same else f"{path}: the file says {_short(stated)}, computed {_short(computed)}"


def _short(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 60 else text[:57] + "..."
