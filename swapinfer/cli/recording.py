"""Commands that record what happened."""

from __future__ import annotations

import sys
from typing import Annotated

import typer
from msgspec.structs import replace as changed

from swapinfer.commands import options
from swapinfer.commands.options import Job, Json, Overlays, Store, WhatIf, Who
from swapinfer.commands.terminal import tell
from swapinfer.commands.typed import (
    DriveWords,
    cylinder_numbers,
    decimal,
    distance_km,
    firing_order,
    newer_parts,
    number_pairs,
    one_place,
    quantity,
    swap_pairs,
    target_values,
    trouble_codes,
    words,
)
from swapinfer.errors import DoubtError, printable

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def open_(
    ro: Annotated[str, typer.Argument(help="Repair-order number.")],
    layout: Annotated[
        str, typer.Option(help="Engine layout.", autocompletion=options.complete_layout)
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
    priors: Overlays = None,
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Open a job and make it the current one."""
    from swapinfer.commands.record import open_job
    from swapinfer.commands.shop import Shop
    from swapinfer.ledger.events import Opened

    opening = Opened(
        ro=ro,
        layout=layout,
        fitment={"ignition": ignition, "fuel": fuel},
        complaint=complaint,
        odometer_km=distance_km(odometer),
        driven_km=distance_km(driven),
        newer=newer_parts(newer or []),
        firing_order=firing_order(order),
        compression_ratio=ratio,
        altitude_m=quantity(altitude, "m"),
        vin=vin,
        family=family,
        customer=customer,
    )
    with Shop(store, who, priors or []) as shop:
        tell(open_job(shop, opening), as_json=as_json)


def drive(
    minutes: Annotated[str, typer.Argument(help="Running time, minutes unless a unit is given.")],
    more: Annotated[
        list[str] | None, typer.Argument(hidden=True, help="Words parted by spaces.")
    ] = None,
    when: Annotated[str, typer.Option(help="Conditions, by commas: warm,load.")] = "",
    codes: Annotated[str | None, typer.Option(help="Codes read afterwards, by commas.")] = None,
    no_codes: Annotated[bool, typer.Option("--no-codes", help="Read, and none was set.")] = False,
    counts: Annotated[str, typer.Option(help="Misfire counters: 1=0,3=140.")] = "",
    felt: Annotated[str, typer.Option(help="How it felt: rough, smooth, ...")] = "",
    heard: Annotated[
        str, typer.Option("--suspect", help="Cylinders heard to misfire, no codes read: 1.")
    ] = "",
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record a drive, or running at idle, and what was found."""
    from swapinfer.commands.record import run_engine
    from swapinfer.commands.shop import Shop
    from swapinfer.ledger.events import Ran

    told = DriveWords(minutes, when, codes, counts).with_strays(more or [])
    read = () if no_codes else None if told.codes is None else trouble_codes(told.codes)
    run = Ran(
        quantity(told.minutes, "min") or 0.0,
        words(told.when),
        read,
        number_pairs(told.counts),
        felt.lower(),
        cylinder_numbers(heard),
    )
    with Shop(store, who, is_supposing=what_if) as shop:
        tell(run_engine(shop, run, job), as_json=as_json)


def swap(
    moves: Annotated[
        list[str],
        typer.Argument(
            help="Kind and places, as often as needed.", autocompletion=options.complete_place
        ),
    ],
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record that parts changed places between cylinders."""
    from swapinfer.commands.record import swap_parts
    from swapinfer.commands.shop import Shop

    pairs = swap_pairs(moves)
    with Shop(store, who, is_supposing=what_if) as shop:
        tell(swap_parts(shop, pairs, job), as_json=as_json)


def back(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Record that every part was put back where it belongs."""
    from swapinfer.commands.record import put_back
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(put_back(shop, job), as_json=as_json)


Place = Annotated[
    list[str],
    typer.Argument(help="Part or place: coil3.", autocompletion=options.complete_place),
]
Test = Annotated[
    str,
    typer.Argument(help="Which test; see: swapinfer tests", autocompletion=options.complete_test),
]


def reseat(
    place: Place,
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record that a connector or joint was unplugged and put together again."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    with Shop(store, who, is_supposing=what_if) as shop:
        tell(record.reseat(shop, one_place(place), job), as_json=as_json)


def replace(
    place: Place,
    price: Annotated[
        float | None, typer.Option(parser=decimal, metavar="<number>", help="What the part cost.")
    ] = None,
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record that something was replaced, or repaired in place."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    with Shop(store, who, is_supposing=what_if) as shop:
        tell(record.replace(shop, one_place(place), price, job), as_json=as_json)


def read(
    test: Test,
    values: Annotated[
        list[str],
        typer.Argument(help="Target=value with unit; or values alone, one for each in order."),
    ],
    against: Annotated[
        str, typer.Option(help="Battery voltage at the same time, for supplies: 12.5V.")
    ] = "",
    wanted: Annotated[
        str, typer.Option(help="The maker's or the control unit's figure, for pressures: 55psi.")
    ] = "",
    temperature: Annotated[str, typer.Option(help="Of the part, for resistances.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Take what looks like a slip.")] = False,
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record readings of an instrument."""
    from swapinfer.commands.readings import Beside
    from swapinfer.commands.record import measure
    from swapinfer.commands.shop import Shop

    typed = target_values(values)
    beside = Beside(against, wanted, temperature, insists=yes)
    with Shop(store, who, is_supposing=what_if) as shop:
        try:
            told = measure(shop, test, typed, beside, job)
        except DoubtError as doubt:
            if not _is_meant(doubt):
                raise DoubtError(f"{doubt}; to insist add --yes") from None
            told = measure(shop, test, typed, changed(beside, insists=True), job)
        tell(told, as_json=as_json)


def _is_meant(doubt: DoubtError) -> bool:
    """Ask once, where someone can answer."""
    if not sys.stdin.isatty():
        return False
    return typer.confirm(f"{printable(str(doubt))}.\nRecord it as typed?", err=True)


def inspect(
    test: Test,
    seen: Annotated[
        list[str],
        typer.Argument(
            help="Where, if there is more than one place, and what was seen: 3 oil.",
        ),
    ],
    what_if: WhatIf = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record what an inspection showed."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    with Shop(store, who, is_supposing=what_if) as shop:
        tell(record.inspect_as_typed(shop, test, seen, job), as_json=as_json)


def note(
    text: Annotated[str, typer.Argument(help="Anything worth keeping.")],
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Record a note; it carries no weight."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(record.note(shop, text, job), as_json=as_json)


def undo(
    seq: Annotated[int | None, typer.Argument(help="Event number; default the newest.")] = None,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Retract an event; it stays in the ledger, marked as undone."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(record.undo(shop, seq, job), as_json=as_json)


def close(
    cause: Annotated[
        list[str] | None, typer.Option(help="What was at fault; may repeat; none if not found.")
    ] = None,
    mode: Annotated[list[str] | None, typer.Option(help="How it failed, one a cause.")] = None,
    verified: Annotated[
        bool, typer.Option(help="After the repair, the drive that was asked for was clean.")
    ] = False,
    confirmed_by: Annotated[str, typer.Option(help="Test that showed the cause directly.")] = "",
    remark: Annotated[str, typer.Option(help="Anything to add.")] = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Close even on a cause that something stands against.")
    ] = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Close a job."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop
    from swapinfer.errors import UnconfirmedError
    from swapinfer.ledger.events import Closed

    closed = Closed(tuple(cause or ()), tuple(mode or ()), verified, confirmed_by, remark)
    with Shop(store, who) as shop:
        try:
            told = record.close(shop, closed, job, is_confirmed=yes)
        except UnconfirmedError as doubt:
            if not (
                sys.stdin.isatty()
                and typer.confirm(f"{printable(str(doubt))}. Close on it?", err=True)
            ):
                raise UnconfirmedError(f"{doubt}; not closed: confirm it with --yes") from None
            told = record.close(shop, closed, job, is_confirmed=True)
        tell(told, as_json=as_json)


def reopen(
    reason: Annotated[str, typer.Argument(help="Why it came back.")] = "",
    odometer: Annotated[str, typer.Option(help="With unit.")] = "",
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Reopen a closed job: the vehicle came back."""
    from swapinfer.commands import record
    from swapinfer.commands.shop import Shop

    km = distance_km(odometer)
    with Shop(store, who) as shop:
        tell(record.reopen(shop, reason, km, job), as_json=as_json)


COMMANDS = (
    ("open", open_, "open RO-7 --layout v6 --odometer '92000 km' --driven '120 km'"),
    ("drive", drive, "drive 15 --when warm,load --codes P0303"),
    ("swap", swap, "swap coil 3-1 plug 3-2"),
    ("back", back, "back"),
    ("reseat", reseat, "reseat coil-wiring3"),
    ("replace", replace, "replace coil3 --price 52"),
    ("read", read, "read compression 1=178psi 2=181psi 3=95psi 4=180psi"),
    ("inspect", inspect, "inspect plug-look 3 oil"),
    ("note", note, "note 'washed the engine last week'"),
    ("undo", undo, "undo"),
    ("close", close, "close --cause coil3 --verified"),
    ("reopen", reopen, "reopen 'misfires again when wet' --odometer '93500 km'"),
)
