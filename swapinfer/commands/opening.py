"""A job begins, ends, and begins again."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Annotated, NamedTuple

import typer
from msgspec import structs

from swapinfer.commands.app import Overlays, command, complete_layout
from swapinfer.commands.causes import believe, first_step
from swapinfer.commands.record import Recorded, record, summarise, tell_recorded
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import asked, is_agreed
from swapinfer.commands.typed import (
    Asking,
    Dialogue,
    Question,
    ask,
    ask_choice,
    ask_quantity,
    decimal,
    labour,
    name_and_value,
    quantity,
)
from swapinfer.errors import InputError, UnconfirmedError, near_match, one_word
from swapinfer.ledger import events as ev
from swapinfer.ledger.events import read_event
from swapinfer.ledger.record import Record, as_utc
from swapinfer.ledger.replay import Job, build_engine, replay
from swapinfer.physics import MOST_KM_A_DAY
from swapinfer.units import convert, to_unit


class Shown(NamedTuple):
    """A distance as the odometer showed it, when, and in which repair order."""

    km: float
    at: str
    ro: str


def shown_before(records: Iterable[Record], vehicle: str) -> Iterator[Shown]:
    """Give what the odometer of one vehicle showed on its visits."""
    ro = ""
    for one in records:
        event = read_event(one.type, one.payload)
        if isinstance(event, ev.Opened):
            ro = event.ro if vehicle and event.vehicle == vehicle else ""
        if ro and isinstance(event, ev.Opened | ev.Reopened) and event.odometer_km is not None:
            yield Shown(event.odometer_km, one.at, ro)


def odometer_remarks(before: Iterable[Shown], km: float, at: str, unit: str) -> list[str]:
    """Say which earlier distances do not go with one that the odometer shows."""
    visits = sorted(before)

    def told(km: float) -> str:
        return f"{convert(km, 'km', unit):,.0f} {unit}"

    def when(shown: Shown) -> str:
        return f"the {told(shown.km)} of {shown.ro} on {shown.at[:10]}"

    said = []
    if visits and km < visits[-1].km:
        said.append(f"less than {when(visits[-1])}")
    last = max(visits, key=lambda one: as_utc(one.at), default=None)
    if last:
        days = (as_utc(at) - as_utc(last.at)) / timedelta(days=1)
        if km - last.km > MOST_KM_A_DAY * max(days, 1.0):
            more = f"{told(km - last.km)} more than {when(last)}"
            said.append(f"{more}: farther than anyone drives in that time")
    same = "same identification number, so one of them is wrong"
    return [f"the odometer shows {told(km)}, {one}; {same}" for one in said]


@command("open", "open RO-7 --layout v6 --odometer '92000 km' --driven '120 km'")
def open_(
    shop: Shop,
    ro: Annotated[str, typer.Argument(help="Repair-order number.")],
    layout: Annotated[
        str, typer.Option(help="Engine layout.", autocompletion=complete_layout)
    ] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
    complaint: Annotated[str, typer.Option(help="The customer's words.")] = "",
    odometer: Annotated[str, typer.Option(help="With unit: '123000 km'.")] = "",
    driven: Annotated[str, typer.Option(help="Distance driven with the fault.")] = "",
    newer: Annotated[
        list[str] | None, typer.Option(help="Newer part and its age: coil2=5000km; may repeat.")
    ] = None,
    order: Annotated[
        str, typer.Option("--firing-order", help="The maker's, where it differs: 1-3-4-2.")
    ] = "",
    ratio: Annotated[
        float | None,
        typer.Option(
            "--compression-ratio",
            parser=decimal,
            metavar="<number>",
            help="For the expected compression.",
        ),
    ] = None,
    altitude: Annotated[str, typer.Option(help="Of the shop: '1500 m'.")] = "",
    family: Annotated[str, typer.Option(help="Vehicle family, for the shop's own priors.")] = "",
    vin: Annotated[str, typer.Option(help="Identification number, for the write-up.")] = "",
    customer: Annotated[str, typer.Option(help="Name, for the write-up.")] = "",
    in_service: Annotated[str, typer.Option(help="Day of first use: 2029-05-03.")] = "",
    priors: Overlays = None,
) -> Recorded:
    """Open a job from words as typed, and make it the current one."""
    shop.overlays += priors or []
    bare = shop.settings.bare_unit("km")
    opening = ev.Opened(
        ro=ro,
        layout=layout,
        fitment={"ignition": ignition, "fuel": fuel},
        complaint=complaint,
        odometer_km=quantity(odometer, "km", bare),
        driven_km=quantity(driven, "km", bare),
        newer={
            place: quantity(age, "km", bare) or 0.0
            for place, age in map(name_and_value, newer or [])
        },
        firing_order=_firing_order(order),
        compression_ratio=ratio,
        altitude_m=quantity(altitude, "m"),
        vin=vin,
        family=family,
        customer=customer,
        in_service=in_service.strip(),
    )
    return open_job(shop, opening)


def open_job(shop: Shop, opening: ev.Opened) -> Recorded:
    """Open a job and make it the current one."""
    pack = shop.pack
    opening.check()
    if opening.in_service > shop.now()[:10]:
        raise InputError(f"in service since {opening.in_service} is still to come")
    engine = build_engine(opening, pack)
    newer = {engine.find_place(name).id: age for name, age in opening.newer.items()}
    opening = structs.replace(opening, newer=newer)
    belief = believe(replay([(0, opening)], pack))
    step = first_step(shop, belief)
    remarks = list[str]()
    with shop.founding() as store, store.writing():
        if opening.odometer_km is not None:
            before = shown_before(store.beginnings(), opening.vehicle)
            unit = shop.settings.unit("distance")
            remarks = odometer_remarks(before, opening.odometer_km, shop.now(), unit)
        shop.keep_pack(pack)
        first = store.create_job(
            opening.ro,
            opening.to_json(),
            who=shop.who,
            at=shop.now(),
            pack=pack.digest,
            summary=summarise(shop, belief, step),
        )
        store.choose_job(shop.who, first.job)
    told = tell_recorded(shop, opening.ro, 0, [opening], belief, step)
    return structs.replace(told, warnings=tuple(remarks))


def _firing_order(text: str) -> tuple[int, ...]:
    """Read ``1-3-4-2``."""
    if not text.strip():
        return ()
    numbers = re.split(r"[-,\s]+", text.strip())
    if not all(number.isdecimal() for number in numbers):
        raise InputError(f'firing order "{text}" must be cylinder numbers, as in 1-3-4-2')
    return tuple(map(int, numbers))


def receive(shop: Shop, ro: str) -> Dialogue[ev.Opened]:
    """Return the questions after which a job is opened."""
    return Dialogue(
        lambda: _ask_opening(shop, ro),
        lambda opening: structs.replace(open_job(shop, opening), next=None),
    )


def _ask_opening(shop: Shop, ro: str) -> Asking[ev.Opened]:
    layouts = [(one.id, f"{one.id}: {one.title}") for one in shop.pack.layouts.values()]
    layout = yield from ask_choice("Which engine?", layouts)
    fitment = {}
    for axis, values in shop.pack.fitments.items():
        fitment[axis] = yield from ask_choice(f"Which {axis}?", list(values.items()), "1")
    complaint = yield from ask(Question("The customer's words?", default="misfire"), str)
    unit = shop.settings.unit("distance")
    odometer = yield from ask_quantity("Odometer?", unit)
    driven = yield from ask_quantity("Driven with the fault?", unit)
    return ev.Opened(
        ro,
        layout,
        fitment,
        complaint=complaint,
        odometer_km=to_unit(odometer, "km") if odometer else None,
        driven_km=to_unit(driven, "km") if driven else None,
    )


@command("close", "close --cause coil3 --verified")
def close(
    shop: Shop,
    cause: Annotated[
        list[str] | None, typer.Option(help="What was at fault; may repeat; none if not found.")
    ] = None,
    mode: Annotated[list[str] | None, typer.Option(help="How it failed, one a cause.")] = None,
    verified: Annotated[
        bool, typer.Option(help="After the repair, the drive that was asked for was clean.")
    ] = False,
    confirmed_by: Annotated[str, typer.Option(help="Test that showed the cause directly.")] = "",
    remark: Annotated[str, typer.Option(help="Anything to add.")] = "",
    odometer: Annotated[str, typer.Option(help="When it leaves, with unit.")] = "",
    booked: Annotated[
        str,
        typer.Option(
            "--labour", help="Operation and time booked on all but repairs: 'DG-900=1.2 h'."
        ),
    ] = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Close even on a cause that something stands against.")
    ] = False,
    ro: str = "",
) -> Recorded:
    """Close a job; where something stands against its causes, ask where someone answers."""
    closed = ev.Closed(
        tuple(cause or ()),
        tuple(mode or ()),
        verified,
        confirmed_by,
        remark,
        quantity(odometer, "km", shop.settings.bare_unit("km")),
        labour(booked),
    )
    try:
        return close_job(shop, closed, ro, is_confirmed=yes)
    except UnconfirmedError as doubt:
        if not is_agreed(doubt, ". Close on it?"):
            raise UnconfirmedError(f"{doubt}; not closed: confirm it with --yes") from None
    return close_job(shop, closed, ro, is_confirmed=True)


def close_job(
    shop: Shop, closed: ev.Closed, ro: str = "", *, is_confirmed: bool = False
) -> Recorded:
    """Close a job with its cause, verified or not."""

    def event_of(job: Job) -> ev.Closed:
        causes = tuple(
            word if word in job.elements else job.engine.find_place(name).id
            for name, word in zip(closed.causes, map(one_word, closed.causes), strict=True)
        )
        modes = closed.modes or ("",) * len(causes)
        if len(modes) != len(causes):
            raise InputError(f"{len(modes)} modes for {len(causes)} causes; give one a cause")
        for cause, mode in zip(causes, modes, strict=True):
            known = job.engine.kinds[job.elements[cause].home.kind].modes
            if mode and mode not in known:
                raise InputError(f'{cause} has no mode "{mode}"{near_match(mode, known)}')
        return structs.replace(closed, causes=causes, modes=modes)

    return record(shop, lambda job: [event_of(job)], ro, is_confirmed=is_confirmed)


@command("reopen", "reopen 'misfires again when wet' --driven '350 km'")
def reopen(
    shop: Shop,
    reason: Annotated[str, typer.Argument(help="Why it came back.")] = "",
    driven: Annotated[str, typer.Option(help="Distance driven since it was closed.")] = "",
    days: Annotated[
        float | None,
        typer.Option(parser=decimal, metavar="<number>", help="Days since; by default counted."),
    ] = None,
    odometer: Annotated[str, typer.Option(help="With unit.")] = "",
    ro: str = "",
) -> Recorded:
    """Reopen a closed job: the vehicle came back with its complaint.

    That is a finding; what was closed by mistake is opened again with undo.
    """
    if not driven and not odometer and days is None:
        driven = asked("Driven since it was closed, with unit (empty: not known)")
    bare = shop.settings.bare_unit("km")
    came_back = ev.Reopened(reason, quantity(odometer, "km", bare), quantity(driven, "km", bare))
    return reopen_job(shop, structs.replace(came_back, days=days), ro)


def reopen_job(shop: Shop, came_back: ev.Reopened, ro: str = "") -> Recorded:
    """Reopen a closed job, by default after as many days as the calendar says."""
    if came_back.days is None:
        closed = [one.at for one in shop.load(ro).records if one.type == ev.Closed.type_name()]
        passed = (as_utc(shop.now()) - as_utc(closed[-1])).days if closed else 0
        came_back = structs.replace(came_back, days=float(passed) if passed > 0 else None)
    return record(shop, lambda _job: [came_back], ro)
