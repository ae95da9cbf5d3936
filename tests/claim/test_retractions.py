"""A finding that was retracted is told at the stamp: that it was, why, and what it would do."""

from __future__ import annotations

import pytest

from swapinfer.claim.write import Claim
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from tests.claim.jobs import claim_of, opening
from tests.claim.test_content import text_of

SWAPPED = [
    opening(),
    ev.Ran(10, ("warm",), ("P0303",)),
    ev.Swapped((("coil3", "coil1"),)),
]
STAYED = ev.Ran(10, ("warm",), ("P0303",))
"""The misfire did not go with the coil."""

ENDED: list[Event] = [
    ev.Ran(10, ("warm",), ("P0301",)),
    ev.Replaced("coil1"),
    ev.Ran(60, ("warm",), (), pending=()),
    ev.Closed(("coil3",), ("",), verified=True),
]


def retracted(reason: str = "") -> Claim:
    return claim_of([*SWAPPED, STAYED, ev.Undone(3, reason), *ENDED])


def test_an_unfavourable_finding_that_was_undone_stands_at_the_stamp() -> None:
    """Against the job in which nothing was undone."""
    claim, honest = retracted("scan tool slipped"), claim_of([*SWAPPED, STAYED, *ENDED])
    counted = claim.facts.with_retracted
    assert counted is not None
    assert counted.joint == pytest.approx(honest.facts.standing.joint, rel=1e-9)
    assert claim.facts.standing.joint > counted.joint + 0.05
    (remark,) = (line for line in claim.document.warnings if "retracted" in line)
    assert "1 finding was retracted (“scan tool slipped”)" in remark
    assert "with it counted, against 99." in remark
    assert "“scan tool slipped”" in text_of(claim)


def test_a_reason_that_was_not_given_is_said_to_be_missing() -> None:
    (remark,) = (line for line in retracted().document.warnings if "retracted" in line)
    assert "(no reason given)" in remark


def test_what_was_retracted_together_gives_its_reasons_once() -> None:
    events = [*SWAPPED, STAYED, ev.Undone(3, "slip"), STAYED, ev.Undone(5, "slip"), *ENDED]
    (remark,) = (line for line in claim_of(events).document.warnings if "retracted" in line)
    assert "2 findings were retracted (“slip”)" in remark
    assert "with them counted" in remark


def test_an_undoing_that_was_itself_undone_leaves_nothing_to_count() -> None:
    claim = claim_of([*SWAPPED, STAYED, ev.Undone(3), ev.Undone(4, "it was right"), *ENDED])
    assert claim.facts.with_retracted is None
    assert not any("retracted" in line for line in claim.document.warnings)


def test_work_that_was_retracted_is_no_finding() -> None:
    """It is listed, and stays retracted whatever is counted."""
    wrong = ev.Swapped((("coil2", "coil4"),))
    claim = claim_of([*SWAPPED, wrong, ev.Undone(3, "wrong cylinders"), *ENDED])
    assert [event.is_finding for event in claim.facts.retracted] == [False]
    assert claim.facts.with_retracted is None
    assert "wrong cylinders" in text_of(claim)


def test_what_was_retracted_twice_is_listed_once() -> None:
    claim = claim_of([*SWAPPED, STAYED, ev.Undone(3, "slip"), ev.Undone(3, "again"), *ENDED])
    assert [(one.seq, one.reason) for one in claim.facts.retracted] == [(3, "slip")]


def test_work_under_which_something_was_found_counts_although_it_was_retracted() -> None:
    """Without the swap, the misfire that stayed no longer speaks against the coil."""
    hidden = claim_of([*SWAPPED, STAYED, ev.Undone(2, "never swapped"), *ENDED[1:]])
    assert [(one.seq, one.is_weighed) for one in hidden.facts.retracted] == [(2, True)]
    honest = claim_of([*SWAPPED, STAYED, *ENDED[1:]])
    counted = hidden.facts.with_retracted
    assert counted is not None
    assert counted.joint == pytest.approx(honest.facts.standing.joint, rel=1e-9)
    assert "1 piece of work was retracted (“never swapped”)" in text_of(hidden)


def test_a_reason_is_kept_and_a_record_without_one_has_the_bytes_it_had() -> None:
    assert ev.Undone(3).to_json() == {"seq": 3}
    assert ev.Undone.from_json({"seq": 3, "reason": "slip"}) == ev.Undone(3, "slip")
