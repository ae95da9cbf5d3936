"""A job written up: facts, and the document that says them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from swapinfer.claim.compose import compose
from swapinfer.claim.document import Document
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.gather import gather_facts, picture_bytes
from swapinfer.claim.pictures import read_picture
from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger import events as ev
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.pack import pack_to_json


@dataclass(frozen=True)
class Claim:
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
    packs : dict of str to str
        Digest to text of the priors.
    """

    facts: ClaimFacts
    document: Document
    settings: ClaimSettings
    records: tuple[Record, ...] = field(repr=False)
    packs: Mapping[str, str] = field(repr=False)


def write_up(
    job: Job,
    records: Sequence[Record],
    *,
    settings: ClaimSettings | None = None,
    pack_text: str = "",
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

    Returns
    -------
    Claim
        For `to_html`, `to_markdown`, `to_json` and `to_pdf`.

    Raises
    ------
    EvidenceError
        If the findings are impossible under every combination of faults.
    """
    settings = settings or ClaimSettings()
    facts = gather_facts(job, records, settings)
    attached = [(seq, event) for seq, event in job.standing if ev.is_a(event, ev.Attached)]
    shown = {seq: read_picture(picture_bytes(event)) for seq, event in attached}
    pictures = {seq: picture for seq, picture in shown.items() if picture}
    return Claim(
        facts=facts,
        document=compose(facts, settings, pictures),
        settings=settings,
        records=tuple(records),
        packs={job.pack.digest: pack_text or pack_to_json(job.pack)},
    )
