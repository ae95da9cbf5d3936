"""A job's write-up: its facts, the document that says them, and both as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from msgspec import Struct, to_builtins

from swapinfer.claim import headings, proof
from swapinfer.claim.document import Document
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.gather import gather_facts
from swapinfer.claim.pictures import picture_bytes, read_picture
from swapinfer.claim.redact import Mask, map_texts
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.words import Numbers, remarks, tell_conclusion, tell_draft, tell_odometer
from swapinfer.ledger.events import Attached
from swapinfer.ledger.exchange import document_of
from swapinfer.ledger.record import Record, canonical_json
from swapinfer.ledger.replay import Job, Numbered
from swapinfer.ledger.words import listed
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import digest_text, pack_to_json

SHAPE = "swapinfer.claim/1"
LONGEST = 2000  # characters of a typed text that are shown


class Claim(Struct, frozen=True):
    """A write-up, what it was made from, and the words left out, which are for the shop alone."""

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
    """Write a job up, as replayed from the whole chain of its records.

    Priors are kept as the store has them, or written out anew, and are compared with those that
    come with the program, or others; `words` are left out too where the settings leave out the
    customer. EvidenceError if the findings are impossible under every combination of faults.
    """
    settings = settings or ClaimSettings()
    mask = Mask(job.opening, words) if settings.redact else None
    facts = gather_facts(job, records, settings, published or load_pack(), mask)
    return Claim(
        facts=facts,
        document=compose(facts, settings, job.standing),
        settings=settings,
        records=tuple(records),
        packs={job.pack.digest: pack_text or pack_to_json(job.pack)},
        masked=tuple(word for _, _, word in mask.found) if mask else (),
    )


def compose(facts: ClaimFacts, settings: ClaimSettings, events: Iterable[Numbered]) -> Document:
    """Write complaint, cause and correction, and all that supports them, attached pictures too."""
    numbers = Numbers(settings)
    pictures = {
        seq: picture
        for seq, event in events
        if isinstance(event, Attached) and (picture := read_picture(picture_bytes(event)))
    }

    def shorten(text: str) -> str:
        if len(text) <= LONGEST:
            return text
        length = numbers.plain(len(text))
        return (
            f"{text[:LONGEST]}… [shortened: {length} characters in all; the whole text is in the "
            "exported job]"
        )

    facts = map_texts(facts, shorten)
    first, last = numbers.day(facts.spent.first_at), numbers.day(facts.spent.last_at)
    is_draft = bool(facts.standing.draft)
    return Document(
        title=f"Repair order {facts.ro}",
        shop=facts.shop,
        subtitle=(
            f"Write-up of a misfire diagnosis, {first} to {last}, by {listed(facts.technicians)}"
        ),
        stamp="Draft" if is_draft else "Closed, repair verified",
        is_draft=is_draft,
        warnings=(*tell_draft(facts, numbers), *remarks(facts, numbers)),
        sections=(*headings.sections(facts, numbers), *proof.sections(facts, numbers, pictures)),
        footer=f"Repair order {facts.ro}, ledger {facts.ledger.head[:16]}",
    )


def summarise_facts(facts: ClaimFacts, numbers: Numbers) -> tuple[tuple[str, str], ...]:
    """Say what one looks for on a paper that lies beside the file, by name."""
    spent, vehicle = facts.spent, facts.vehicle
    first, last = numbers.moment(spent.first_at), numbers.moment(spent.last_at)
    amounts = [f"{numbers.money(spent.total, spent.currency)} by standard times"]
    if facts.charged:
        amounts.insert(0, f"{numbers.money(facts.charged.total, spent.currency)} charged")
    rows = (
        ("repair order", facts.ro),
        ("vehicle", ", ".join(filter(None, [vehicle.vin, vehicle.customer, vehicle.engine]))),
        ("recorded", f"{first} to {last}, {numbers.plain(facts.ledger.records)} events"),
        ("odometer", tell_odometer(vehicle, numbers)),
        ("cause", tell_conclusion(facts, numbers)),
        ("correction", listed([f"{one.what} ({one.label})" for one in facts.repairs]) or "none"),
        ("amount", "; ".join(amounts)),
        ("retracted", numbers.plain(len(facts.retracted)) if facts.retracted else "nothing"),
        ("pictures", numbers.plain(len(facts.photos)) if facts.photos else "none"),
    )
    return tuple((name, " ".join(said.split())) for name, said in rows)


def to_json(claim: Claim) -> str:
    """Write a claim as one object of JSON, sealed; without the job where something is left out."""
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
