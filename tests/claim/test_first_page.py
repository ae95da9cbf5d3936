"""What a decision needs stands on the first page; what proves it follows."""

from __future__ import annotations

import io

import pypdf
import pytest

from swapinfer.claim.document import to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim
from swapinfer.ledger import events as ev
from tests.claim.jobs import claim_of, coil_events
from tests.claim.test_content import text_of


def first_page(claim: Claim, paper: str) -> str:
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(claim.document, paper=paper)))
    return " ".join(reader.pages[0].extract_text().replace("\u200b", "").split())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_all_that_a_decision_needs_is_on_the_first_page(coil_claim: Claim, paper: str) -> None:
    page = first_page(coil_claim, paper)
    for wanted in (
        "Closed, repair verified", "1 finding was retracted", "shakes at traffic lights",
        "148,200 km", "P0303", "Established: ignition coil from cylinder 3", "a probability of",
        "published ones (base 1)", "times rarer beforehand", "spoke against it", "Next likeliest",
        "Work done: replace the coil", "84.00 USD", "30 min driven since the last repair",
        "pulling: uphill", "Residual risk", "Cost by standard times: ", "old coil kept for return",
    ):  # fmt: skip
        assert wanted in page, wanted
    assert "Probability after each finding" not in page


def test_the_cost_is_the_sum_of_its_parts(coil_claim: Claim) -> None:
    """All of it is in the sentence, and the whole is what the table ends with."""
    spent = coil_claim.facts.spent
    assert spent.labour + spent.parts + spent.other == pytest.approx(spent.total)
    said = f"Cost by standard times: {spent.total:.2f} USD, of it labour {spent.labour:.2f} USD"
    assert said in text_of(coil_claim)


def test_what_spoke_most_against_the_cause_is_told_with_its_weight() -> None:
    """A plug is named although the misfire left with the coil."""
    events = coil_events()
    events[9] = ev.Replaced("plug4")
    events[-1] = ev.Closed(("plug3",), ("",), verified=True)
    claim = claim_of(events, ClaimSettings())
    weights = {finding.seq: finding.decibans_c[0] for finding in claim.facts.findings}
    worst = min(weights, key=lambda seq: weights[seq])
    said = f"Most of all spoke against the spark plug from cylinder 3: #{worst}, engine run"
    assert said in text_of(claim)


def test_cautions_are_not_said_to_have_been_observed(coil_claim: Claim) -> None:
    titles = [section.title for section in coil_claim.document.sections]
    assert "Cautions that apply" in titles
    assert "observed" not in text_of(coil_claim).lower()
