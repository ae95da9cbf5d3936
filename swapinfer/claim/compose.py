"""From facts to a document: complaint, cause, correction, and then all that supports them."""

from __future__ import annotations

from collections.abc import Mapping

from swapinfer.claim import proof
from swapinfer.claim.clean import map_texts
from swapinfer.claim.document import Document
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.headings import (
    Row,
    cause,
    complaint,
    correction,
    tell_conclusion,
    tell_odometer,
)
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import ClaimSettings, Numbers
from swapinfer.claim.stamp import remarks, tell_draft
from swapinfer.ledger.words import listed

LONGEST = 2000
"""Characters of a typed text that are shown."""


def compose(
    facts: ClaimFacts,
    settings: ClaimSettings,
    pictures: Mapping[int, Picture] | None = None,
) -> Document:
    """Write a document.

    Parameters
    ----------
    facts : ClaimFacts
        From `swapinfer.claim.write.gather_facts`.
    settings : ClaimSettings
        Units, decimal sign, form of dates.
    pictures : mapping of int to Picture, optional
        Attached pictures by position of their event.

    Returns
    -------
    Document
    """
    numbers = Numbers(settings)
    facts = _shortened(facts, numbers)
    first, last = numbers.day(facts.spent.first_at), numbers.day(facts.spent.last_at)
    who = listed(facts.technicians)
    is_draft = bool(facts.standing.draft)
    return Document(
        title=f"Repair order {facts.ro}",
        shop=facts.shop,
        subtitle=f"Write-up of a misfire diagnosis, {first} to {last}, by {who}",
        stamp="Draft" if is_draft else "Closed, repair verified",
        is_draft=is_draft,
        warnings=(*tell_draft(facts, numbers), *remarks(facts, numbers)),
        sections=(
            complaint(facts, numbers),
            cause(facts, numbers),
            correction(facts, numbers),
            *proof.sections(facts, numbers, pictures or {}),
        ),
        footer=f"Repair order {facts.ro}, ledger {facts.ledger.head[:16]}",
    )


def summarise(facts: ClaimFacts, numbers: Numbers) -> tuple[Row, ...]:
    """Say what one looks for on a paper that lies beside the file.

    Parameters
    ----------
    facts : ClaimFacts
        Of the write-up.
    numbers : Numbers
        How numbers are written.
    """
    spent, vehicle = facts.spent, facts.vehicle
    first, last = numbers.moment(spent.first_at), numbers.moment(spent.last_at)
    amounts = [f"{numbers.money(spent.total, spent.currency)} by standard times"]
    if facts.charged:
        amounts.insert(0, f"{numbers.money(facts.charged.total, spent.currency)} charged")
    gone = len(facts.retracted)
    rows = (
        ("repair order", facts.ro),
        ("vehicle", ", ".join(filter(None, [vehicle.vin, vehicle.customer, vehicle.engine]))),
        ("recorded", f"{first} to {last}, {numbers.plain(facts.ledger.records)} events"),
        ("odometer", tell_odometer(vehicle, numbers)),
        ("cause", tell_conclusion(facts, numbers)),
        ("correction", listed([f"{one.what} ({one.label})" for one in facts.repairs]) or "none"),
        ("amount", "; ".join(amounts)),
        ("retracted", numbers.plain(gone) if gone else "nothing"),
        ("pictures", numbers.plain(len(facts.photos)) if facts.photos else "none"),
    )
    return tuple((name, " ".join(said.split())) for name, said in rows)


def _shortened(facts: ClaimFacts, numbers: Numbers) -> ClaimFacts:
    def shorten(text: str) -> str:
        if len(text) <= LONGEST:
            return text
        length = numbers.plain(len(text))
        return (
            f"{text[:LONGEST]}… [shortened: {length} characters in all; the whole text is in the "
            "exported job]"
        )

    return map_texts(facts, shorten)
