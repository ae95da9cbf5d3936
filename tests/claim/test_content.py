"""What a write-up says, and what it must not say."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from swapinfer.claim.document import to_html, to_markdown
from swapinfer.claim.settings import ClaimSettings, Comparison
from swapinfer.claim.write import Claim, write_up
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import Job, replay
from tests.claim.jobs import base_pack, chain, claim_of, coil_events, opening


def text_of(claim: Claim) -> str:
    """What is read in the Markdown, without its escapes."""
    return to_markdown(claim.document).replace("\\", "").replace("\u00a0", " ")


def test_everything_that_a_reviewer_looks_for_is_there(coil_claim: Claim) -> None:
    titles = [section.title for section in coil_claim.document.sections]
    assert titles[:3] == ["Complaint", "Cause", "Correction"]
    text = text_of(coil_claim)
    for wanted in (
        "Example Garage", "RO-1042", "shakes at traffic lights", "148,200 km",
        "11111111111111111 (check digit correct)", "P0303 (misfire", "no codes stored",
        "Established: ignition coil from cylinder 3", "171.0 psi, entered as “11.8 bar”",
        "T. Echnician", "A. Nother", "swapped ignition coil 3 ↔ 1",
        "the fault followed the ignition coil from cylinder 3", "Flip point",
        "It would have to be", "30 min driven since the last repair", "Residual risk",
        "tens of kilovolts", "connector of coil 3 looks clean", "old coil kept for return",
        "Price of parts: 84.00 USD", coil_claim.facts.ledger.head, "swapinfer claim verify",
        "from memory",
    ):  # fmt: skip
        assert wanted in text, wanted


def test_cautions_of_parts_and_of_drives_are_told(coil_claim: Claim, coil_job: Job) -> None:
    told = coil_claim.facts.cautions
    kinds = coil_job.engine.kinds
    for name in (*kinds["coil"].cautions, *coil_job.pack.running.cautions):
        assert coil_job.pack.cautions[name].text in told


def test_retracted_events_are_shown_and_count_for_nothing(coil_claim: Claim) -> None:
    (gone,) = coil_claim.facts.retracted
    assert (gone.seq, gone.who, gone.undone_by) == (4, "T. Echnician", "A. Nother")
    assert "174 psi" in text_of(coil_claim)
    assert 4 not in [finding.seq for finding in coil_claim.facts.findings]
    without = [event for n, event in enumerate(coil_events()) if n not in {4, 5}]
    again = claim_of(without)
    assert again.facts.standing.joint == pytest.approx(coil_claim.facts.standing.joint, rel=1e-9)


def test_an_open_job_is_a_draft_and_says_why() -> None:
    claim = claim_of(coil_events()[:9], ClaimSettings(established=0.95))
    assert 0.8 < claim.facts.standing.joint < 0.95
    assert claim.facts.standing.draft == ("open", "not established")
    assert claim.document.is_draft
    assert "Draft" in text_of(claim)
    assert "Probable, not established: ignition coil from cylinder 3" in text_of(claim)
    assert 'class="stamp draft"' in to_html(claim.document)


def test_a_job_closed_without_a_clean_drive_is_a_draft() -> None:
    events = [*coil_events()[:-2], ev.Closed(("coil3",), ("",), verified=True)]
    claim = claim_of(events)
    assert claim.facts.standing.status == "closed"
    assert "claimed" in claim.facts.standing.draft
    said = "Closed as verified; no clean drive of the length asked is on record."
    assert said in claim.document.warnings
    assert "No drive is recorded since the last repair" in text_of(claim)


@pytest.mark.parametrize(
    ("level", "words"), [(0.9, "Established"), (0.999, "Probable, not established")]
)
def test_a_cause_below_the_chosen_level_is_never_worded_as_established(
    level: float, words: str
) -> None:
    claim = claim_of(coil_events(), ClaimSettings(established=level))
    assert 0.9 < claim.facts.standing.joint < 0.999
    assert f"{words}: ignition coil from cylinder 3" in text_of(claim)
    if level > 0.9:
        assert "Established" not in text_of(claim)
        assert claim.facts.standing.draft == ("not established",)


def test_a_cause_that_the_findings_speak_against_is_shown_as_a_conflict() -> None:
    """The misfire leaves with the coil, yet the job is closed with the plug that stayed."""
    events = coil_events()
    events[9] = ev.Replaced("plug4")
    events[-1] = ev.Closed(("plug3",), ("",), verified=True)
    claim = claim_of(events)
    kinds = {conflict.kind for conflict in claim.facts.conflicts}
    assert {"against", "not leading"} <= kinds
    text = text_of(claim)
    assert "Suspected only: spark plug from cylinder 3" in text
    assert "the findings did not ask for this" in text
    assert "Conflict: finding #8 speaks against the spark plug from cylinder 3" in text


def test_a_clock_that_was_set_back_is_shown() -> None:
    records = chain(coil_events())
    odd = replace(records[5], at=records[2].at)
    claim = write_up(replay(read_events(records), base_pack()), [*records[:5], odd, *records[6:]])
    assert [c.seq for c in claim.facts.conflicts if c.kind == "clock"] == [5]
    assert "a clock was set back" in text_of(claim)


def test_two_causes_are_told_together() -> None:
    events = coil_events()
    events[-1] = ev.Closed(("coil3", "boot3"), ("", ""), verified=True)
    claim = claim_of(events)
    assert claim.facts.subjects == 2
    assert claim.facts.standing.joint < min(c.probability for c in claim.facts.causes[:2])
    assert "ignition coil from cylinder 3 and plug boot from cylinder 3 together" in text_of(claim)
    assert "A +" in text_of(claim)
    assert claim.facts.flip is not None
    assert claim.facts.flip.rival not in [cause.label for cause in claim.facts.causes[:2]]


def two_coils() -> list[Event]:
    """Two cylinders misfire, and both misfires leave with their coils."""
    return [
        opening(),
        ev.Ran(20, (), ("P0301", "P0304")),
        ev.Swapped((("coil1", "coil2"),)),
        ev.Ran(20, (), ("P0302", "P0304")),
        ev.Swapped((("coil4", "coil3"),)),
        ev.Ran(20, (), ("P0302", "P0303")),
        ev.Replaced("coil2"),
        ev.Replaced("coil3"),
        ev.Ran(40, (), (), pending=()),
    ]


def test_an_open_job_may_have_more_than_one_likely_cause() -> None:
    claim = claim_of(two_coils())
    assert {cause.element for cause in claim.facts.causes[: claim.facts.subjects]} == {
        "coil1", "coil4",
    }  # fmt: skip


def test_a_likely_cause_that_was_not_named_is_shown_as_a_conflict() -> None:
    claim = claim_of([*two_coils(), ev.Closed(("coil1",), ("",), verified=True)])
    kinds = {conflict.kind for conflict in claim.facts.conflicts}
    assert kinds & {"not named", "not leading"}
    assert "ignition coil from cylinder 4" in next(
        c.detail for c in claim.facts.conflicts if c.kind in {"not named", "not leading"}
    )


def test_parts_keep_their_identity_after_their_home_was_given_away(coil_claim: Claim) -> None:
    """The coil of cylinder 1 ends at cylinder 3, since that of 3 was thrown away at cylinder 1."""
    trails = {trail.element: trail.stops for trail in coil_claim.facts.trails}
    assert trails["coil1"] == ((0, "cylinder 1"), (7, "cylinder 3"))
    assert trails["coil3"] == ((0, "cylinder 3"), (7, "cylinder 1"), (9, "off the vehicle"))
    assert [stop for stop, _ in trails["plug3"]] == [0, 7, 10]
    (coils, plugs) = coil_claim.facts.arrangements
    assert [[part.mark for part in parts] for _, parts in coils.rows] == [
        ["1", "3"], ["3", "1"], ["new", "1"],
    ]  # fmt: skip
    assert [seq for seq, _ in plugs.rows] == [0, 7, 10]


def test_the_comparison_is_printed_only_where_there_is_one(coil_claim: Claim) -> None:
    assert "common order" not in text_of(coil_claim)
    settings = ClaimSettings(comparison=Comparison(512.0, 498.5, 525.25, 1000))
    text = text_of(claim_of(coil_events(), settings))
    assert "costs 512.00 USD on average on 1,000 simulated vehicles" in text
    assert "498.50 USD to 525.25 USD)" in text


@pytest.mark.parametrize(
    ("vin", "said"),
    [
        ("1M8GDM9A1KP042788", "check digit WRONG"),
        ("WXXZZZ00Z00000000", "no check digit required"),
        ("ABC", "NOT 17 permitted characters"),
    ],
)
def test_what_is_said_of_an_identification_number(vin: str, said: str) -> None:
    assert said in text_of(claim_of([opening(vin=vin), ev.Ran(10, (), ("P0303",))]))


def test_a_job_of_nothing_but_a_complaint_can_be_written_up() -> None:
    claim = claim_of([opening(complaint="", vin="", customer="")])
    text = text_of(claim)
    assert "No words of the customer were recorded" in text
    assert "No codes were read" in text
    assert "Suspected only" in text


def test_a_reopened_job_is_a_draft_again() -> None:
    claim = claim_of([*coil_events(), ev.Reopened("shakes again", 149_000.0)])
    assert claim.facts.standing.draft == ("open", "not established")
