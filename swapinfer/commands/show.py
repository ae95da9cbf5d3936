"""A job looked up: whole, where its parts are, and the tests that its engine allows."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command, complete_test
from swapinfer.commands.causes import Cause, believe, cause_words, list_causes
from swapinfer.commands.jobs import status_words
from swapinfer.commands.page import Facts, Page, percent, same_fields, show
from swapinfer.commands.shop import Shop
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger.events import read_event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import draw_engine, element_label, expected_range
from swapinfer.pack.model import Test
from swapinfer.posterior import usual_reading
from swapinfer.units import convert

ALIKE = "about what the other cylinders read"
"""A good reading of a test that is relative to others, while there is none."""


class EventLine(Struct, frozen=True):
    """An event of a job, in words."""

    seq: int
    at: str
    who: str
    event: str
    said: str
    undone: bool


class JobView(Facts, frozen=True):
    """A whole job: engine, events, causes."""

    shape: ClassVar[str] = "job/1"

    ro: str
    status: str
    engine: str
    drawing: tuple[str, ...]
    complaint: str
    odometer: str
    driven: str
    pack: str
    events: tuple[EventLine, ...]
    causes: tuple[Cause, ...]
    away: tuple[str, ...]
    open_access: tuple[str, ...]


class MovablePart(Struct, frozen=True):
    """A movable part: where it belongs and where it is."""

    part: str
    label: str
    home: str
    place: str
    is_new: bool
    is_away: bool


class PartsView(Facts, frozen=True):
    """Every movable part, and the exchanges that put all back."""

    shape: ClassVar[str] = "parts/1"

    ro: str
    parts: tuple[MovablePart, ...]
    moves_home: tuple[tuple[str, str], ...]


@command("use", "use RO-7")
def choose_job(
    shop: Shop, ro: Annotated[str, typer.Argument(help="Repair-order number.")]
) -> JobView:
    """Make a job the current one."""
    shop.store.choose_job(shop.who, shop.job_id(ro))
    return show_job(shop, ro)


@command("show", "show --job RO-7")
def show_job(shop: Shop, ro: str = "") -> JobView:
    """Show a whole job."""
    loaded = shop.load(ro)
    job, opening, pack = loaded.job, loaded.job.opening, loaded.job.pack
    unit = shop.settings.unit("distance")
    fitted = (pack.fitments[axis][value] for axis, value in job.engine.fitment.items())

    def event_line(record: Record) -> EventLine:
        said = read_event(record.type, record.payload).say(job)
        undone = record.seq in job.undone
        return EventLine(record.seq, record.at, record.who, record.type, said, undone)

    def distance(km: float | None) -> str:
        if km is None or math.isnan(km):
            return "not given"
        return f"{convert(km, 'km', unit):,.0f} {unit}"

    return JobView(
        ro=loaded.ro,
        status=job.status,
        engine=", ".join([job.engine.layout.title, *fitted]),
        drawing=tuple(draw_engine(job)),
        complaint=opening.complaint,
        odometer=distance(opening.odometer_km),
        driven=distance(opening.driven_km),
        pack=f"{pack.name} {pack.version} ({pack.digest[:12]})",
        events=tuple(map(event_line, loaded.records)),
        causes=list_causes(believe(job))[:8],
        away=tuple(job.away_from_home()),
        open_access=tuple(pack.access[name].title for name in sorted(job.open_access)),
    )


@command("parts", "parts")
def show_parts(shop: Shop, ro: str = "") -> PartsView:
    """Show where every movable part is and the exchanges that put all back."""
    loaded = shop.load(ro)
    job, away = loaded.job, loaded.job.away_from_home()
    placed = [
        (one, job.place_of(one.id))
        for one in job.elements.values()
        if job.engine.kinds[one.home.kind].movable
    ]
    parts = tuple(
        MovablePart(
            part=one.id,
            label=element_label(job, one.id),
            home=one.home.id if place else "",
            place=place.id if place else "",
            is_new=one.is_new,
            is_away=one.id in away,
        )
        for one, place in placed
    )
    return PartsView(loaded.ro, parts, tuple(job.moves_home()))


@show.register
def _(facts: JobView, page: Page) -> str:
    lines = page.wrap(
        page.strong(f"{facts.ro} ({status_words(facts.status)})") + f": {facts.engine}"
    )
    lines += page.wrap(f"complaint: {facts.complaint or 'misfire'}", indent=2)
    lines += page.wrap(f"odometer {facts.odometer}; with the fault {facts.driven}", indent=2)
    lines += ["", *(f"    {line}" for line in facts.drawing)]
    lines += page.heading("events")
    rows = []
    for event in facts.events:
        said = f"(undone) {event.said}" if event.undone else event.said
        rows.append([f"{event.seq}", event.at[:16].replace("T", " "), event.who[:10], said])
    lines += page.table(rows, right=[0])
    lines += page.heading("causes")
    lines += page.table([[percent(c.probability), cause_words(c)] for c in facts.causes], right=[0])
    lines += page.listed("away from home", facts.away)
    lines += page.listed("open", facts.open_access)
    return "\n".join(lines)


@show.register
def _(facts: PartsView, page: Page) -> str:
    rows = [
        [part.label, part.home or "-", part.place or "bench", "away" if part.is_away else ""]
        for part in facts.parts
    ]
    lines = page.table([["part", "belongs at", "is at", ""], *rows])
    if facts.moves_home:
        moves = ", ".join(f"{a} <-> {b}" for a, b in facts.moves_home)
        lines += page.wrap(f"to put all back: {moves}", hang=4)
    else:
        lines.append("every part is where it belongs")
    return "\n".join(lines)


class TestLine(Struct, frozen=True):
    """A test in a list: minutes for a first target, with what must come off, and lacking tools."""

    id: str
    title: str
    form: str
    target: str
    minutes: float
    lacking: tuple[str, ...]


class TestList(Facts, frozen=True):
    """Tests of an engine, the least work first."""

    shape: ClassVar[str] = "tests/1"

    ro: str
    tests: tuple[TestLine, ...]


class TestView(Facts, frozen=True):
    """One test in full, its minutes with what must come off now.

    Outcomes are words to be recorded, none for readings; `expected` is what nine in ten good ones
    read on this engine, empty for inspections; `example` records it.
    """

    shape: ClassVar[str] = "test/1"

    id: str
    title: str
    form: str
    target: str
    minutes: float
    minutes_each: float
    opens: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    before: tuple[str, ...]
    steps: tuple[str, ...]
    outcomes: dict[str, str]
    expected: str
    targets: tuple[str, ...]
    example: str


@command("tests", "tests compression")
def engine_tests(
    shop: Shop,
    test: Annotated[str, typer.Argument(help="One in full.", autocompletion=complete_test)] = "",
    weights: Annotated[
        bool, typer.Option("--weights", help="What each outcome is worth, of all or of one.")
    ] = False,
    ro: str = "",
) -> Facts:
    """List the tests of an engine, or show one in full, or weigh what they find."""
    if weights:
        from swapinfer.commands.weights import weigh_tests

        return weigh_tests(shop.pack, test)
    return show_test(shop, test, ro) if test else list_tests(shop, ro)


def list_tests(shop: Shop, ro: str = "") -> TestList:
    """List the tests of a job's engine in order of ease, as the engine stands now."""
    loaded = shop.load(ro)
    job, missing = loaded.job, shop.settings.missing_tools
    lines = []
    for test in job.engine.tests.values():
        lacking = tuple(job.pack.tools[tool] for tool in test.tools if tool in missing)
        own = {"minutes": _to_open(job, test)[0], "lacking": lacking}
        lines.append(TestLine(**same_fields(TestLine, test) | own))
    return TestList(loaded.ro, tuple(sorted(lines, key=lambda t: (bool(t.lacking), t.minutes))))


def show_test(shop: Shop, test_id: str, ro: str = "") -> TestView:
    """Show one test in full."""
    job = shop.load(ro).job
    test, pack = job.engine.find_test(test_id), job.pack
    targets = job.engine.target_places(test.target)
    minutes, opens = _to_open(job, test)
    level = usual_reading(gather_evidence(job), test) if test.level else None
    has_range = level is not None or not test.level
    if test.form == "inspection":
        example = f"swapinfer inspect {test.id} {targets[0]} {next(iter(test.outcomes))}"
    else:
        beside = f" --against NUMBER{test.unit}" if test.reference else ""
        beside += f" --wanted NUMBER{test.unit}" if test.wanted else ""
        example = f"swapinfer read {test.id} {targets[0]}=NUMBER{test.unit}{beside}"
    own = {
        "minutes": minutes,
        "opens": opens,
        "tools": tuple(pack.tools[tool] for tool in test.tools),
        "cautions": tuple(pack.cautions[caution].text for caution in test.cautions),
        "expected": expected_range(test, level) if has_range else ALIKE,
        "targets": targets,
        "example": example,
    }
    return TestView(**same_fields(TestView, test) | own)


def _to_open(job: Job, test: Test) -> tuple[float, tuple[str, ...]]:
    """Minutes of a test with what must come off for it, and what that is."""
    shut = [name for name in job.needs_open(test.access) if name not in job.open_access]
    closed = [job.pack.access[name] for name in shut]
    minutes = test.minutes + sum(access.open_minutes for access in closed)
    return minutes, tuple(access.title for access in closed)


@show.register
def _(facts: TestList, page: Page) -> str:
    rows = []
    for test in facts.tests:
        lacking = f" (not here: {', '.join(test.lacking)})" if test.lacking else ""
        said = f"{test.title}{_each(test.target)}{lacking}"
        rows.append([f"{test.minutes:.0f} min", test.id, said])
    lines = page.wrap(f"{facts.ro}: tests of this engine, the least work first")
    lines += page.table(rows, right=[0])
    return "\n".join([*lines, *page.wrap("one in full: swapinfer tests TEST")])


def _each(target: str) -> str:
    return "" if target == "engine" else f", each {target}"


@show.register
def _(facts: TestView, page: Page) -> str:
    lines = page.wrap(f"{page.strong(facts.id)}: {facts.title}{_each(facts.target)}")
    more = f", {facts.minutes_each:.0f} for each further {facts.target}"
    lines += page.wrap(f"{facts.minutes:.0f} min" + more * (len(facts.targets) > 1), indent=2)
    lines += page.listed("tools", facts.tools, indent=2)
    lines += page.listed("first", facts.opens, indent=2)
    for caution in facts.cautions:
        lines += page.wrap(f"CAUTION: {caution}", indent=2)
    lines += page.numbered([*(f"first: {item}" for item in facts.before), *facts.steps], indent=2)
    if facts.expected:
        lines += page.wrap(f"a good one reads {facts.expected}", indent=2)
    lines += page.table([[word, text] for word, text in facts.outcomes.items()])
    return "\n".join([*lines, *page.wrap(f"record it: {facts.example}", indent=2, hang=11)])
