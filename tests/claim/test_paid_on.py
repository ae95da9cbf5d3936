"""What a write-up is paid on is told on the first page, and missed where it is missing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from swapinfer.claim.settings import (
    FIELDS,
    ClaimSettings,
    Headings,
    Limits,
    Template,
    read_template,
)
from swapinfer.claim.write import Claim
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.papers import Labour, OldPart, Part
from tests.claim.jobs import claim_of, coil_events, opening, picture
from tests.claim.test_content import text_of
from tests.claim.test_first_page import first_page

OLD = OldPart("C-3", "S-0301", "Example Parts", kept="shelf 4, bag 1042", showed="hairline crack")


def papered() -> list[Event]:
    """The coil job with all that its papers can say."""
    events = coil_events()
    events[0] = opening(in_service="2029-05-03")
    done = ev.Replaced("coil1", 84.0, Part("C-9", "S-7788", "Example Parts"), OLD)
    events[9] = ev.Replaced(done.place, done.price, done.new, done.old, Labour("IG-210", 36.0))
    shown = events[11]
    assert isinstance(shown, ev.Attached)
    events[11] = ev.Attached(shown.name, shown.digest, shown.media, shown.data, "crack at the top")
    events[5] = ev.Undone(4, "read at the wrong cylinder")
    events[-1] = ev.Closed(
        ("coil3",),
        ("cracked",),
        verified=True,
        odometer_km=148_236.0,
        labour=Labour("DG-900", 72.0),
    )
    return events


@pytest.fixture(scope="module")
def paid() -> Claim:
    return claim_of(papered())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_all_of_it_stands_on_the_first_page(paid: Claim, paper: str) -> None:
    page = first_page(paid, paper)
    for wanted in (
        "in 148,200 km, out 148,236 km", "2029-05-03", "number C-9", "serial number S-7788",
        "from Example Parts", "number C-3", "serial number S-0301", "kept: shelf 4, bag 1042",
        "showed when removed: hairline crack", "IG-210", "36 min", "DG-900", "72 min",
        "72.00 USD", "144.00 USD", "300.00 USD", "Technician, date:",
        "Established: ignition coil from cylinder 3 (case cracked",
    ):  # fmt: skip
        assert wanted in page, wanted


def test_nothing_is_missed_where_all_is_recorded(paid: Claim) -> None:
    assert paid.facts.unrecorded == ()
    assert "Not on record" not in text_of(paid)
    assert "crack at the top" in text_of(paid)


def test_what_is_charged_is_the_booked_time_at_the_rate_and_the_prices_entered(
    paid: Claim,
) -> None:
    """36 and 72 minutes at 120 an hour are 72 and 144; with the part for 84 they are 300."""
    charged = paid.facts.charged
    assert charged is not None
    assert paid.facts.spent.rate_per_hour == 120.0
    assert [line.money for line in charged.lines] == [72.0, 144.0]
    assert (charged.minutes, charged.labour, charged.parts, charged.total) == (108, 216, 84, 300)


def test_standard_times_beside_add_up_to_all_that_was_done(paid: Claim) -> None:
    """What was opened for a repair is closed again at the cost of that repair."""
    charged = paid.facts.charged
    assert charged is not None
    assert sum(line.standard for line in charged.lines) == pytest.approx(paid.facts.spent.minutes)
    head = claim_of([opening(), ev.Replaced("sealing3", labour=Labour("EN-410", 570.0))])
    assert head.facts.charged is not None
    (line,) = head.facts.charged.lines
    assert line.standard == pytest.approx(head.facts.spent.minutes)


@pytest.mark.parametrize("field", FIELDS)
def test_each_field_that_is_required_and_missing_is_named_on_the_first_page(field: str) -> None:
    """A job without papers, with two repairs and a picture: whatever can be missing is."""
    bare = [
        opening(complaint="", odometer_km=None, driven_km=None, vin="", customer=""),
        ev.Replaced("coil3"),
        ev.Replaced("plug3"),
        *([] if field == "picture" else [picture()]),
        ev.Measured("compression", "cylinder3", 171.0),
        ev.Undone(4 if field != "picture" else 3),
    ]
    template = Template(name="the payer", required=(field,))
    claim = claim_of(bare, ClaimSettings(template=template))
    assert "incomplete" in claim.facts.standing.draft
    words, _ = FIELDS[field]
    assert f"Required of the payer, and not on record: {words}" in first_page(claim, "a4")
    (missing,) = (one for one in claim.facts.unrecorded if one.is_required)
    assert missing.field == field
    assert len(missing.of) == (field in ("caption", "reason"))


def test_of_several_repairs_those_are_named_of_which_something_is_missing() -> None:
    """A number is there of one new part, of the other not; a supplier of neither."""
    events = [opening(), ev.Replaced("coil3", new=Part("C-9")), ev.Replaced("plug3")]
    missing = {one.field: one.of for one in claim_of(events).facts.unrecorded}
    assert missing["part-number"] == ("spark plug from cylinder 3",)
    assert missing["part-supplier"] == ()


def test_a_second_cause_that_was_at_fault_too_is_no_reason_against_its_repair() -> None:
    when = ("warm", "idle")
    events = [
        opening(layout="v6", odometer_km=141_622.0, driven_km=193.0),
        ev.Ran(20, when, ("P0302", "P0304")),
        ev.Swapped((("coil2", "coil1"), ("coil4", "coil3"))),
        ev.Ran(20, when, ("P0301", "P0303")),
        ev.Replaced("coil1"),
        ev.Replaced("coil3"),
        ev.Closed(("coil2", "coil4"), ("", "")),
    ]
    claim = claim_of(events)
    assert [one.element for one in claim.facts.repairs] == ["coil2", "coil4"]
    assert "the findings did not ask for this" not in text_of(claim)


def test_the_mode_named_at_closing_decides_headline_and_repair() -> None:
    """By the pack: valve clearance is set, the rest of the sealing needs the head off."""
    events = [
        opening(),
        ev.Ran(20, ("warm",), ("P0303",)),
        ev.Measured("compression", "cylinder3", 30.0),
        ev.Replaced("sealing3"),
        ev.Ran(40, ("warm",), (), pending=()),
    ]
    told = {}
    for mode in ("burnt-valve", "tight-valve"):
        claim = claim_of([*events, ev.Closed(("sealing3",), (mode,), verified=True)])
        lead = next(line for line in text_of(claim).splitlines() if "cylinder sealing)," in line)
        told[mode] = lead, claim.facts.repairs[0].what, claim.facts.spent.minutes
    assert "exhaust valve burnt, cylinder 3 (cylinder sealing)" in told["burnt-valve"][0]
    assert "valve clearance too small, cylinder 3 (cylinder sealing)" in told["tight-valve"][0]
    assert told["burnt-valve"][1:] != told["tight-valve"][1:]


def test_a_mode_that_the_findings_make_unlikely_is_a_conflict() -> None:
    events = papered()
    assert isinstance(events[-1], ev.Closed)
    claim = claim_of([*events[:-1], ev.Closed(("coil3",), ("open",), verified=True)])
    (conflict,) = (one for one in claim.facts.conflicts if one.kind == "mode")
    assert conflict.share is not None
    assert conflict.share < 0.1
    assert "closed with ignition coil from cylinder 3 (winding open); of the ways" in text_of(claim)


def test_an_odometer_that_went_back_is_a_conflict() -> None:
    left = ev.Closed(("coil3",), ("",), verified=True, odometer_km=148_000.0)
    claim = claim_of([*papered()[:-1], left])
    assert "odometer" in [one.kind for one in claim.facts.conflicts]
    assert "showed less when the vehicle left" in text_of(claim)


LIMITS = {
    "probability": (0.999, "probability at least 99.90 %, here 99."),
    "residual_risk": (0.0001, "residual risk at most"),
    "labour_minutes": (100.0, "booked labour at most 100 min, here 108 min"),
    "times_standard": (1.0, "booked, times the standard time, at most 1.00, here "),
    "parts": (80.0, "parts at most 80.00 USD, here 84.00 USD"),
    "total": (299.0, "amount at most 299.00 USD, here 300.00 USD"),
    "months_in_service": (23.9, "months in service at most 23.9, here 24.0"),
    "odometer_km": (100_000.0, "odometer when it came at most 100,000 km, here 148,200 km"),
    "retracted": (0.0, "retracted findings at most 0, here 1"),
}


@pytest.mark.parametrize("limit", LIMITS)
def test_a_limit_that_is_passed_is_told_at_the_stamp(limit: str) -> None:
    bound, said = LIMITS[limit]
    template = Template(currency="USD", limits=Limits(**{limit: bound}))
    claim = claim_of(papered(), ClaimSettings(template=template))
    (remark,) = (line for line in claim.document.warnings if line.startswith("Beyond"))
    assert said in remark.replace("\u00a0", " ")
    slack = Limits(**{limit: 0.1 if limit == "probability" else 1.0 if "risk" in limit else 1e6})
    within = claim_of(papered(), ClaimSettings(template=Template(currency="USD", limits=slack)))
    assert not [line for line in within.document.warnings if line.startswith("Beyond")]
    assert set(LIMITS) == set(Limits.__struct_fields__)


def test_a_limit_that_cannot_be_held_to_anything_is_not_passed_over() -> None:
    template = Template(currency="EUR", limits=Limits(total=1000.0, labour_minutes=10.0))
    claim = claim_of(coil_events(), ClaimSettings(template=template))
    (remark,) = (line for line in claim.document.warnings if line.startswith("Beyond"))
    assert remark.count("not known") == 2


def test_headings_are_worded_as_the_template_says() -> None:
    headings = Headings("Concern", "Root cause", "Repair")
    claim = claim_of(papered(), ClaimSettings(template=Template(headings=headings)))
    assert [one.title for one in claim.document.sections[:3]] == ["Concern", "Root cause", "Repair"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("required = ['part-nubmer']", 'no field "part-nubmer" to require; did you mean "part-'),
        ("limit = 3", 'has no field "limit"'),
        ("[limits]\ntotal = 300", "limits on money need a currency"),
        ("[limits]\nprobability = 95", "limit probability must be"),
        ("[limits]\nretracted = 'none'", "limits.retracted must be a number"),
        ("[headings]\ncause = ''", "heading cause must be 1 to 200 characters"),
        ("required = [", "template "),
    ],
)
def test_a_template_that_asks_for_what_there_is_not_is_refused(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "payer.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(said)) as refused:
        read_template(path)
    assert str(path) in str(refused.value)
    with pytest.raises(InputError, match="cannot be read"):
        read_template(tmp_path / "nothing.toml")
