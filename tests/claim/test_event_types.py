"""Every type of event is known wherever events are looked at, and no other passes as nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from swapinfer import JobCard
from swapinfer.claim.beliefs import follow_belief
from swapinfer.claim.document import to_html, to_markdown, to_pdf
from swapinfer.claim.gather import gather_facts
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.work import Sheet
from swapinfer.claim.write import to_json, write_up
from swapinfer.commands.causes import believe
from swapinfer.commands.guide import Sitting, _is_drive_due
from swapinfer.commands.history import split_steps
from swapinfer.commands.opening import open_job
from swapinfer.commands.page import Page
from swapinfer.commands.record import explain_events, record
from swapinfer.commands.shop import Shop
from swapinfer.errors import LedgerError
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event, Repair, Timesheet
from swapinfer.ledger.replay import Job as Replayed
from swapinfer.ledger.replay import replay
from swapinfer.ledger.runs import last_repair, what_was_begun
from swapinfer.pack.money import OwnMoney
from swapinfer.plan.actions import QUIET, Action, suppose
from swapinfer.plan.verifying import prove
from swapinfer.posterior import infer
from tests.claim.jobs import base_pack, chain, opening, picture

ALL = [
    opening(),
    ev.Scanned(("P0303",), (), frame=("warm",), counts={3: 28}, since_start=12.0),
    ev.Ran(10, ("warm",), ("P0303",)),
    ev.Noted("connector of coil 3 looks clean"),
    ev.Measured("compression", "cylinder3", 171.0, "11.8 bar"),
    ev.Undone(4),
    ev.Inspected("plug-look", "cylinder3", "clean"),
    ev.Stated({"7E8": ("43010303", "420C001AF8")}),
    ev.Erased(("7E8",)),
    ev.Swapped((("coil3", "coil1"),)),
    ev.Reseated("coil-wiring3"),
    ev.Returned(),
    ev.Replaced("coil3"),
    picture(),
    ev.Closed(("coil3",), ("",)),
    ev.Reopened("again"),
]
DRIVE = Action("drive", drive_minutes=10.0)


class Polished(Event, frozen=True):
    """An event that a later program might record, of which nothing else is known."""

    place: str = "coil3"


class Cleaned(Repair, frozen=True):
    """An event that says all that may be asked of it, and that no other module has heard of."""

    def apply(self, job: Replayed) -> None:
        job.handle(self.place)

    def say(self, job: Replayed) -> str:
        return f"cleaned {job.engine.kind_of(self.place).title}"

    def book(self, sheet: Timesheet, job: Replayed) -> None:
        sheet.reseated(job.engine.kind_of(self.place))


def with_polished() -> Replayed:
    """Return a job in which that event got past replay."""
    job = replay(enumerate(ALL), base_pack())
    return replace(job, standing=[*job.standing, (len(ALL), Polished())])


def test_the_job_has_every_type() -> None:
    assert {event.type for event in ALL} == set(ev.TYPES)


@pytest.mark.parametrize("event", [*ALL, Cleaned("plug2")], ids=lambda event: event.type)
def test_every_type_is_read_said_replayed_explained_and_written_up(
    event: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(ev.TYPES, "cleaned", Cleaned)
    events = [*ALL[: ALL.index(event)], event] if event in ALL else [*ALL, event]
    records = chain(events)
    job = replay(ev.read_events(records), base_pack())
    event.check()
    assert event.say(job)
    assert ev.read_event(event.type, event.to_json()) == event
    belief = believe(job)
    before = believe(replay(enumerate(events[:-1]), base_pack())) if len(events) > 1 else belief
    assert isinstance(explain_events(before, belief, [event]), list)
    assert isinstance(split_steps(events), list)
    _is_drive_due(job)
    what_was_begun(job)
    last_repair(job)
    claim = write_up(job, records, settings=ClaimSettings())
    for written in (to_html(claim.document), to_markdown(claim.document), to_json(claim)):
        assert written
    assert to_pdf(claim.document)


def test_a_type_counts_where_it_says_that_it_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """A new repair is a repair to the words, the clock and the write-up, and nobody else knows."""
    monkeypatch.setitem(ev.TYPES, "cleaned", Cleaned)
    events = [*ALL[:2], Cleaned("plug2")]
    records = chain(events)
    job = replay(ev.read_events(records), base_pack())
    assert last_repair(job) == 2
    assert what_was_begun(job).is_undriven
    assert job.cautions_met() >= set(job.engine.kinds["plug"].cautions)
    claim = write_up(job, records, settings=ClaimSettings())
    assert claim.facts.moves[-1].said == "cleaned spark plug"
    without = write_up(replay(enumerate(events[:2]), base_pack()), records[:2])
    costs, kind = base_pack().costs, job.engine.kinds["plug"]
    opened = [base_pack().access[name] for name in job.needs_open(kind.access)]
    extra = claim.facts.spent.minutes - without.facts.spent.minutes
    reached = sum(a.open_minutes + a.close_minutes for a in opened)
    assert extra == pytest.approx(costs.reseat_minutes + reached)
    assert claim.facts.spent.other - without.facts.spent.other == pytest.approx(costs.reseat_price)


REFUSING: dict[str, Callable[[Replayed], Any]] = {
    "words": lambda job: Polished().say(job),
    "reading": lambda _: ev.read_event("polished", {"place": "coil3"}),
    "replay": lambda _: replay(enumerate([*ALL, Polished()]), base_pack()),
    "limits": lambda _: Polished().check(),
    "cautions": lambda job: job.cautions_met(),
    "repairs": last_repair,
    "what was begun": what_was_begun,
    "supposing": lambda job: suppose(job, DRIVE, QUIET),
    "verifying": lambda job: prove(gather_evidence(job), infer(gather_evidence(job).arrays)),
    "cost": lambda job: Sheet(follow_belief(job), chain(ALL), OwnMoney()),
    "write-up": lambda job: gather_facts(job, chain(ALL), ClaimSettings(), base_pack()),
    "every format": lambda job: write_up(job, chain(ALL)),
    "meaning": lambda job: explain_events(believe(job), believe(job), [Polished()]),
    "advice": lambda _: split_steps([Polished()]),
    "guide, places": lambda _: Polished().places,
    "guide, drives": _is_drive_due,
    "python": lambda _: JobCard.open(opening()).then(Polished()),
}


@pytest.mark.parametrize("where", REFUSING)
def test_a_made_up_type_is_refused_by_its_name(where: str) -> None:
    with pytest.raises((LedgerError, TypeError), match="polished"):
        REFUSING[where](with_polished())


def test_a_made_up_type_cannot_be_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    job = JobCard.open(opening())
    with Shop(str(tmp_path / "jobs.db"), "me") as shop:
        open_job(shop, job.replayed.opening)
        with pytest.raises(LedgerError, match="polished"):
            record(shop, lambda _job: [Polished()])
        sitting = Sitting(shop)
        assert "nothing is left to do" not in sitting.standing(Page())


def test_no_effect_is_taken_for_granted_in_replay(monkeypatch: pytest.MonkeyPatch) -> None:
    """A type that is known but has no effect written down is refused too."""
    monkeypatch.setitem(ev.TYPES, "polished", Polished)
    with pytest.raises(LedgerError, match="polished"):
        replay(ev.read_events(chain([*ALL, Polished()])), base_pack())


def test_a_job_begins_once() -> None:
    with pytest.raises(LedgerError, match="open already"):
        replay(enumerate([opening(), opening()]), base_pack())


def test_belief_is_followed_through_all_of_them() -> None:
    course = follow_belief(replay(enumerate(ALL), base_pack()))
    assert len(course.fault_ne) == len(course.job.findings) + 2
