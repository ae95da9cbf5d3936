"""A job's write-up: its facts, the document, and both as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from msgspec import Struct, to_builtins

from swapinfer.claim.compose import compose
from swapinfer.claim.document import Document
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.gather import gather_facts
from swapinfer.claim.pictures import Picture, picture_bytes, read_picture
from swapinfer.claim.redact import Mask
from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger import events as ev
from swapinfer.ledger.exchange import document_of
from swapinfer.ledger.record import Record, canonical_json, digest_text
from swapinfer.ledger.replay import Job, Numbered
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import pack_to_json

SHAPE = "swapinfer.claim/1"


class Claim(Struct, frozen=True):
    """A write-up.

    Attributes
    ----------
    facts : ClaimFacts
        Every number and name.
    document : Document
        Every sentence, in the order of reading.
    settings : ClaimSettings
        How it was made.
    records : tuple of Record
        What it was made from.
    packs : mapping of str to str
        Digest to text of the priors.
    masked : tuple of str
        What was left out, each word as often as it stood there; for the shop alone.
    """

    facts: ClaimFacts
    document: Document
    settings: ClaimSettings
    records: tuple[Record, ...]
    packs: Mapping[str, str]
    masked: tuple[str, ...] = ()


def write_up(
    job: Job,
    records: Sequence[Record],
    *,
    settings: ClaimSettings | None = None,
    pack_text: str = "",
    published: Pack | None = None,
    words: Sequence[str] = (),
) -> Claim:
    """Write a job up.

    Parameters
    ----------
    job : Job
        As replayed from `records`.
    records : sequence of Record
        The whole chain.
    settings : ClaimSettings, optional
        Of the shop.
    pack_text : str, optional
        Priors as the store keeps them; the pack written out anew by default.
    published : Pack, optional
        Priors that its own are compared with; the base that comes with the program by default.

    words : sequence of str, optional
        What else is left out where the settings leave out the customer.

    Returns
    -------
    Claim
        For `to_html`, `to_pdf`, `to_markdown` and `to_json`.

    Raises
    ------
    EvidenceError
        If the findings are impossible under every combination of faults.
    """
    settings = settings or ClaimSettings()
    mask = Mask(job.opening, words) if settings.redact else None
    facts = gather_facts(job, records, settings, published or load_pack(), mask)
    pictures = pictures_of(job.standing)
    return Claim(
        facts=facts,
        document=compose(facts, settings, pictures),
        settings=settings,
        records=tuple(records),
        packs={job.pack.digest: pack_text or pack_to_json(job.pack)},
        masked=tuple(word for _, _, word in mask.found) if mask else (),
    )


def pictures_of(events: Iterable[Numbered]) -> dict[int, Picture]:
    """Read the attached pictures that can be shown, by the position of their events."""
    attached = {seq: event for seq, event in events if isinstance(event, ev.Attached)}
    shown = {seq: read_picture(picture_bytes(event)) for seq, event in attached.items()}
    return {seq: picture for seq, picture in shown.items() if picture}


def to_json(claim: Claim) -> str:
    """Write a claim as JSON.

    Parameters
    ----------
    claim : Claim
        From `write_up`.

    Returns
    -------
    str
        One object: ``shape``, ``settings``, ``facts``, ``job`` (the exported job, null where
        something is left out), and ``seal``, the SHA-256 of the canonical JSON of the others.
    """
    body = {
        "shape": SHAPE,
        "settings": to_builtins(claim.settings),
        "facts": to_builtins(claim.facts),
        "job": None if claim.settings.redact else document_of(claim.records, claim.packs),
    }
    return dump({**body, "seal": seal_of(body)})


def seal_of(body: dict[str, Any]) -> str:
    """Digest of everything in the file but the seal itself."""
    return digest_text(canonical_json({k: v for k, v in body.items() if k != "seal"}))


def dump(document: object) -> str:
    """Write the file in the one way that is accepted, so that no byte changes unnoticed."""
    return json.dumps(document, ensure_ascii=True, allow_nan=False, indent=1) + "\n"
