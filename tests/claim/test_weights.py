"""Weights that a reader can add up, and that do not say more, or less, than they mean."""

from __future__ import annotations

import math
import re

import pytest

from swapinfer.claim.document import Table
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.words import Numbers
from swapinfer.claim.write import Claim
from swapinfer.ledger import events as ev
from swapinfer.posterior import describe_weight
from tests.claim.jobs import claim_of, coil_events, opening
from tests.claim.test_content import text_of

QUIET = [opening(), ev.Ran(20, ("load",), ("P0303",)), ev.Ran(90, ("cold",), (), pending=())]
"""A drive without misfire, in conditions in which the plug would have shown and the coil not."""


def findings_table(claim: Claim) -> Table:
    (section,) = (one for one in claim.document.sections if one.id == "found")
    return next(block for block in section.blocks if isinstance(block, Table))


def decibans(cell: str) -> float:
    """Number at the head of a cell."""
    return float(re.match(r"[+\u2212]?[\d.]+", cell)[0].replace("\u2212", "-"))  # type: ignore[index]


def test_both_columns_add_up_from_the_line_before_any_finding(coil_claim: Claim) -> None:
    """To a tenth of a deciban for each rounded line."""
    rows = findings_table(coil_claim).rows
    assert rows[0][2] == "before any finding"
    assert rows[-1][2] == "together"
    for column in (-2, -1):
        lines = [decibans(row[column]) for row in rows]
        assert sum(lines[:-1]) == pytest.approx(lines[-1], abs=0.05 * len(lines))


def test_the_columns_are_the_ratios_of_the_probabilities_that_are_shown(coil_claim: Claim) -> None:
    """Ten times the common log of odds, and of the ratio of two probabilities, by arithmetic."""
    facts = coil_claim.facts
    assert facts.best_rival is not None
    rival = [cause.element for cause in facts.causes].index(facts.best_rival.element)
    before = tuple(cause.before for cause in facts.causes)
    stood = [before, *(found.probability_c for found in facts.findings)]
    for earlier, later, found in zip(stood, stood[1:], facts.findings, strict=False):
        odds = [p[0] / (1.0 - p[0]) for p in (earlier, later)]
        assert found.decibans_c[0] == pytest.approx(10 * math.log10(odds[1] / odds[0]), abs=1e-6)
        ratios = [p[0] / p[rival] for p in (earlier, later)]
        told = 10 * math.log10(ratios[1] / ratios[0])
        assert found.against_rival_c[0] == pytest.approx(told, abs=1e-6)
    others = [cause.probability for cause in facts.causes[1:]]
    assert facts.best_rival.probability == max(others)


def test_a_quiet_drive_that_tells_for_the_rival_is_no_bare_mention() -> None:
    """It leaves the cause where it was among all, and costs it dearly beside one of them."""
    claim = claim_of(QUIET)
    facts, drive = claim.facts, claim.facts.findings[-1]
    assert facts.causes[0].label == "spark plug from cylinder 3"
    assert facts.best_rival is not None
    assert facts.best_rival.label == "ignition coil from cylinder 3"
    assert drive.decibans_c[0] > -1.0
    assert drive.against_rival_c[0] < -4.0
    cell = findings_table(claim).rows[-2][-1]
    assert cell.endswith("positive evidence against it")
    text = text_of(claim)
    assert "Most of all spoke against the spark plug from cylinder 3: #2, engine run" in text
    weight = Numbers(ClaimSettings()).decibans(drive.against_rival_c[0])
    assert f"against the ignition coil from cylinder 3 {weight} dB)" in text


def test_the_complaint_is_called_evidence_for_nothing(coil_claim: Claim) -> None:
    row = findings_table(coil_claim).rows[1]
    assert row[2] == "complaint"
    assert "every job begins so" in row[3].lower()
    assert "evidence" not in row[-1] + row[-2]


def test_words_are_for_the_weight_against_the_rival(coil_claim: Claim) -> None:
    rows = findings_table(coil_claim).rows[1:-1]
    for finding, row in zip(coil_claim.facts.findings, rows, strict=True):
        words = describe_weight(finding.against_rival_c[0])
        assert (f" dB: {words}" in row[-1]) == (finding.kind != "complaint")


def test_a_reading_out_of_range_that_speaks_against_the_cause_is_explained() -> None:
    """Low compression is no sign of a coil, though the job was closed on one."""
    events = coil_events()
    events[3] = ev.Measured("compression", "cylinder3", 90.0)
    claim = claim_of(events)
    reading = next(found for found in claim.facts.findings if found.seq == 3)
    assert reading.reading is not None
    assert reading.reading.within is False
    assert reading.decibans_c[0] < -1.0
    said = "Out of range, yet against the ignition coil from cylinder 3: it speaks most for the"
    assert f"{said} cylinder sealing, cylinder 3 (+" in text_of(claim)
    assert "Out of range, yet" not in text_of(claim_of(coil_events()))


def test_ratios_are_those_of_the_figures_shown(coil_claim: Claim) -> None:
    """Whoever divides the two printed percentages gets the printed factor, to its two digits."""
    numbers = Numbers(ClaimSettings())
    first = coil_claim.facts.causes[0]
    for rival in coil_claim.facts.rivals:
        percents = [float(numbers.percent(p)[:-1]) for p in (first.probability, rival.probability)]
        found = re.search(
            rf"The {rival.label} stands at [^,]+, ([\d,]+) times less", text_of(coil_claim)
        )
        assert found is not None
        told = float(found[1].replace(",", ""))
        assert percents[0] / percents[1] == pytest.approx(told, rel=0.1)


@pytest.mark.parametrize("probability", [0.000099, 0.0])
def test_what_is_shown_as_a_bound_is_told_as_a_bound(probability: float) -> None:
    assert Numbers(ClaimSettings()).times_less(probability, 0.99) == "more than 10,000"
