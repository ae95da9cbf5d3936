"""Every type of event is known wherever events are looked at, and no other passes as nothing."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import pytest

from swapinfer import Job
from swapinfer.claim.beliefs import follow_belief
from swapinfer.claim.effort import tally
from swapinfer.claim.gather import gather_facts
from swapinfer.claim.html import to_html
from swapinfer.claim.markdown import to_markdown
from swapinfer.claim.moves import stages
from swapinfer.claim.pdf import to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import to_json, write_up
from swapinfer.commands.causes import believe
from swapinfer.commands.guide import Sitting, _is_drive_due, _touched
from swapinfer.commands.meaning import explain_events
from swapinfer.commands.opening import open_job
from swapinfer.commands.record import record
from swapinfer.commands.shop import Shop
from swapinfer.errors import LedgerError
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job as Replayed
from swapinfer.ledger.replay import replay
from swapinfer.ledger.runs import last_repair
from swapinfer.ledger.words import say
from swapinfer.plan.verifying import prove
from swapinfer.plan.what_if import suppose
from swapinfer.posterior import infer
from tests.claim.jobs import base_pack, chain, opening, picture

ALL = [
    opening(),
    ev.Ran(10, ("warm",), ("P0303",)),
    ev.Noted("connector of coil 3 looks clean"),
    ev.Measured("compression", "cylinder3", 171.0, "11.8 bar"),
    ev.Undone(3),
    ev.Inspected("plug-look", "cylinder3", "clean"),
    ev.Swapped((("coil3", "coil1"),)),
    ev.Reseated("coil-wiring3"),
    ev.Returned(),
    ev.Replaced("coil3"),
    picture(),
    ev.Closed(("coil3",), ("",)),
    ev.Reopened("again"),
]


@dataclass(frozen=True, slots=True)
class Polished(ev.Event):
    """An event that a later program might record."""

    type: ClassVar[str] = "polished"

    place: str = "coil3"


def with_polished() -> Replayed:
    """Return a job in which that event got past replay."""
    job = replay(chain(ALL), base_pack())
    return dataclasses.replace(job, standing=[*job.standing, (len(ALL), Polished())])


def test_the_job_has_every_type() -> None:
    assert {event.type for event in ALL} == set(ev.TYPES)


@pytest.mark.parametrize("event", ALL, ids=lambda event: event.type)
def test_every_type_is_read_said_replayed_explained_and_written_up(event: ev.Event) -> None:
    events = ALL[: ALL.index(event) + 1]
    records = chain(events)
    job = replay(records, base_pack())
    assert say(event, job)
    assert ev.read_event(event.type, event.to_json()) == event
    belief = believe(job)
    before = believe(replay(records[:-1], base_pack())) if len(records) > 1 else belief
    assert isinstance(explain_events(before, belief, [event]), list)
    assert isinstance(_touched(event), list)
    _is_drive_due(job)
    last_repair(job)
    claim = write_up(job, records, settings=ClaimSettings())
    for written in (to_html(claim.document), to_markdown(claim.document), to_json(claim)):
        assert written
    assert to_pdf(claim.document)


REFUSING: dict[str, Callable[[Replayed], Any]] = {
    "words": lambda job: say(Polished(), job),
    "reading": lambda _: ev.read_event("polished", {"place": "coil3"}),
    "replay": lambda _: replay(chain([*ALL, Polished()]), base_pack()),
    "moves": stages,
    "repairs": last_repair,
    "supposing": lambda job: suppose(job, None, ""),  # type: ignore[arg-type]
    "verifying": lambda job: prove(gather_evidence(job), infer(gather_evidence(job).arrays)),
    "cost": lambda job: tally(
        job, stages(replay(chain(ALL), base_pack())), chain(ALL), ClaimSettings(), lambda _: {}
    ),
    "write-up": lambda job: gather_facts(job, chain(ALL), ClaimSettings()),
    "every format": lambda job: write_up(job, chain(ALL)),
    "meaning": lambda job: explain_events(believe(job), believe(job), [Polished()]),
    "guide, places": lambda _: _touched(Polished()),
    "guide, drives": _is_drive_due,
    "python": lambda _: Job.open(opening()).then(Polished()),
}


@pytest.mark.parametrize("where", REFUSING)
def test_a_made_up_type_is_refused_by_its_name(where: str) -> None:
    with pytest.raises((LedgerError, TypeError), match="polished"):
        REFUSING[where](with_polished())


def test_a_made_up_type_cannot_be_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    job = Job.open(opening())
    with Shop(str(tmp_path / "jobs.db"), "me") as shop:
        open_job(shop, job.replayed.opening)
        with pytest.raises(LedgerError, match="polished"):
            record(shop, lambda _job: [Polished()])
        sitting = Sitting(shop)
        assert sitting.view().status == "open"


def test_no_effect_is_taken_for_granted_in_replay() -> None:
    """A type that is known but has no effect written down is refused too."""
    ev.TYPES["polished"] = Polished
    try:
        with pytest.raises(LedgerError, match="polished"):
            replay(chain([*ALL, Polished()]), base_pack())
    finally:
        del ev.TYPES["polished"]


def test_a_job_begins_once() -> None:
    with pytest.raises(LedgerError, match="open already"):
        replay(chain([opening(), opening()]), base_pack())


def test_belief_is_followed_through_all_of_them() -> None:
    course = follow_belief(replay(chain(ALL), base_pack()))
    assert len(course.fault_ne) == len(course.job.findings) + 2
