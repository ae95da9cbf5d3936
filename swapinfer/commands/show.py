"""A job looked up: whole, where its parts are, and the tests that its engine allows."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command, complete_test
from swapinfer.commands.causes import Cause, believe, cause_words, list_causes
from swapinfer.commands.jobs import status_words
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger.events import read_event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import draw_engine, element_label, expected_range
from swapinfer.pack.model import Test
from swapinfer.posterior import usual_reading
from swapinfer.units import convert


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


class PartLine(Struct, frozen=True):
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
    parts: tuple[PartLine, ...]
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
    job = loaded.job
    belief = believe(job)
    distance = shop.settings.unit("distance")
    return JobView(
        ro=loaded.ro,
        status=job.status,
        engine=engine_words(job),
        drawing=tuple(draw_engine(job)),
        complaint=job.opening.complaint,
        odometer=_distance(job.opening.odometer_km, distance),
        driven=_distance(job.opening.driven_km, distance),
        pack=f"{job.pack.name} {job.pack.version} ({job.pack.digest[:12]})",
        events=tuple(_event_line(record, job) for record in loaded.records),
        causes=list_causes(belief)[:8],
        away=tuple(job.away_from_home()),
        open_access=tuple(job.pack.access[name].title for name in sorted(job.open_access)),
    )


def _event_line(record: Record, job: Job) -> EventLine:
    event = read_event(record.type, record.payload)
    return EventLine(
        record.seq, record.at, record.who, record.type, event.say(job), record.seq in job.undone
    )


def engine_words(job: Job) -> str:
    """Layout and fitment in words."""
    fitted = (job.pack.fitments[axis][value] for axis, value in job.engine.fitment.items())
    return ", ".join([job.engine.layout.title, *fitted])


def _distance(km: float | None, unit: str) -> str:
    if km is None or math.isnan(km):
        return "not given"
    return f"{convert(km, 'km', unit):,.0f} {unit}"


@command("parts", "parts")
def show_parts(shop: Shop, ro: str = "") -> PartsView:
    """Show where every movable part is and the exchanges that put all back."""
    loaded = shop.load(ro)
    job = loaded.job
    away = set(job.away_from_home())
    lines = []
    for element in job.elements.values():
        if job.engine.kinds[element.home.kind].movable:
            place = job.place_of(element.id)
            lines.append(
                PartLine(
                    part=element.id,
                    label=element_label(job, element.id),
                    home=element.home.id if place else "",
                    place=place.id if place else "",
                    is_new=element.is_new,
                    is_away=element.id in away,
                )
            )
    return PartsView(loaded.ro, tuple(lines), tuple(job.moves_home()))


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
    """One test in full.

    Attributes
    ----------
    minutes, minutes_each : float
        With what must come off now, and for each further target.
    opens, tools, cautions, before, steps : tuple of str
        Titles and texts.
    outcomes : dict of str to str
        Word to be recorded, and what it means; empty for readings.
    expected : str
        What nine in ten good ones read on this engine; empty for inspections.
    targets : tuple of str
        On what it can be made.
    example : str
        Command that records it.
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
    lacking = shop.settings.missing_tools
    lines = [
        TestLine(
            id=test.id,
            title=test.title,
            form=test.form,
            target=test.target,
            minutes=_minutes(loaded.job, test),
            lacking=tuple(loaded.job.pack.tools[t] for t in test.tools if t in lacking),
        )
        for test in loaded.job.engine.tests.values()
    ]
    return TestList(loaded.ro, tuple(sorted(lines, key=lambda t: (bool(t.lacking), t.minutes))))


def show_test(shop: Shop, test_id: str, ro: str = "") -> TestView:
    """Show one test in full."""
    job = shop.load(ro).job
    test, pack = job.engine.find_test(test_id), job.pack
    return TestView(
        id=test.id,
        title=test.title,
        form=test.form,
        target=test.target,
        minutes=_minutes(job, test),
        minutes_each=test.minutes_each,
        opens=tuple(pack.access[name].title for name in _to_open(job, test)),
        tools=tuple(pack.tools[tool] for tool in test.tools),
        cautions=tuple(pack.cautions[caution].text for caution in test.cautions),
        before=test.before,
        steps=test.steps,
        outcomes=test.outcomes,
        expected=_expected(job, test),
        targets=job.engine.target_places(test.target),
        example=_example(job, test),
    )


def _to_open(job: Job, test: Test) -> list[str]:
    return [name for name in job.needs_open(test.access) if name not in job.open_access]


def _minutes(job: Job, test: Test) -> float:
    return test.minutes + sum(job.pack.access[name].open_minutes for name in _to_open(job, test))


def _expected(job: Job, test: Test) -> str:
    """Good range; relative tests are told in the test's own unit, about this engine's level."""
    if not test.level:
        return expected_range(test)
    level = usual_reading(gather_evidence(job), test)
    if level is not None:
        return expected_range(test, level)
    return "about what the other cylinders read"


def _example(job: Job, test: Test) -> str:
    target = job.engine.target_places(test.target)[0]
    if test.form == "inspection":
        return f"swapinfer inspect {test.id} {target} {next(iter(test.outcomes))}"
    beside = f" --against NUMBER{test.unit}" if test.reference else ""
    beside += f" --wanted NUMBER{test.unit}" if test.wanted else ""
    return f"swapinfer read {test.id} {target}=NUMBER{test.unit}{beside}"


@show.register
def _(facts: TestList, page: Page) -> str:
    rows = [[f"{test.minutes:.0f} min", test.id, _line(test)] for test in facts.tests]
    lines = page.wrap(f"{facts.ro}: tests of this engine, the least work first")
    lines += page.table(rows, right=[0])
    return "\n".join([*lines, *page.wrap("one in full: swapinfer tests TEST")])


def _line(test: TestLine) -> str:
    lacking = f" (not here: {', '.join(test.lacking)})" if test.lacking else ""
    return test.title + _each(test.target) + lacking


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
