"""One job whole, and where its parts are."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.causes import Cause, believe, cause_words, list_causes
from swapinfer.commands.jobs import status_words
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.ledger.events import read_event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import draw_engine, element_label
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
