"""Parts handled: changed places, put back, reseated, replaced."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated

import typer

from swapinfer.commands.app import command, complete_place
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.typed import decimal, labour, named_fields
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.papers import OldPart, Part

MOVE = r"(\d+(?:\+\d+)*)\s*-\s*(\d+(?:\+\d+)*)"
"""Two places that change: ``3-1``, or of pairs ``1+4-2+5``."""

SWAPS = r"([a-z][a-z-]*?)((?:\s*\d+(?:\+\d+)*\s*-\s*\d+(?:\+\d+)*)+)"
"""A kind, and moves of it."""

Place = Annotated[
    list[str], typer.Argument(help="Part or place: coil3.", autocompletion=complete_place)
]


@command("swap", "swap coil 3-1 plug 3-2", is_supposable=True)
def swap(
    shop: Shop,
    moves: Annotated[
        list[str],
        typer.Argument(help="Kind and places, as often as needed.", autocompletion=complete_place),
    ],
    ro: str = "",
) -> Recorded:
    """Record that parts changed places, several kinds in one go if need be."""
    typed = swap_pairs(moves)
    engine = shop.load(ro).job.engine
    pairs = tuple((engine.find_place(a).id, engine.find_place(b).id) for a, b in typed)
    if not pairs:
        raise InputError("name at least one swap, for example: coil 3-1")
    touched = [place for pair in pairs for place in pair]
    return record(shop, lambda _job: [ev.Swapped(pairs)], ro, touched)


def swap_pairs(typed: list[str]) -> list[tuple[str, str]]:
    """Read ``coil 3-1 plug 3-2`` or ``coil3 coil1``."""
    joined = re.sub(r"\s*(?:<?->|<-|\bwith\b|\bto\b)\s*", "-", " ".join(typed).lower())
    pairs = [
        (kind.strip("- ") + a, kind.strip("- ") + b)
        for kind, moves in re.findall(SWAPS, joined)
        for a, b in re.findall(MOVE, moves)
    ]
    left = re.sub(SWAPS, "", joined).split()
    if len(left) % 2 or (left and not all(re.search(r"\d", word) for word in left)):
        raise InputError(
            f'"{joined}" does not say which places; as in: coil 3-1 plug 3-2, coil-pack 1+4-2+5'
        )
    return pairs + list(zip(left[::2], left[1::2], strict=True))


@command("back", "back")
def put_back(shop: Shop, ro: str = "") -> Recorded:
    """Record that every part went back where it belongs."""
    return record(shop, lambda _job: [ev.Returned()], ro)


@command("reseat", "reseat coil-wiring3", is_supposable=True)
def reseat(shop: Shop, place: Place, ro: str = "") -> Recorded:
    """Record that a connector or joint was taken apart and put together."""
    typed = one_place(place)
    return record(shop, lambda job: [ev.Reseated(job.engine.find_place(typed).id)], ro)


@command("replace", "replace coil3 --price 52", is_supposable=True)
def replace(
    shop: Shop,
    place: Place,
    price: Annotated[
        float | None, typer.Option(parser=decimal, metavar="<number>", help="What the part cost.")
    ] = None,
    new: Annotated[
        list[str] | None,
        typer.Option(help="Of the new part: number=, serial=, supplier=; may repeat."),
    ] = None,
    old: Annotated[
        list[str] | None,
        typer.Option(help="Of the old part: those, kept= and showed=; may repeat."),
    ] = None,
    booked: Annotated[
        str, typer.Option("--labour", help="Operation and booked time: 'IG-210=0.6 h'.")
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record that what sits at a place was replaced or put right."""
    typed = one_place(place)
    found = shop.load(ro).job.engine.find_place(typed).id
    done = ev.Replaced(
        found,
        price,
        new=named_fields(Part, new),
        old=named_fields(OldPart, old),
        labour=labour(booked),
    )
    return record(shop, lambda _job: [done], ro, [found])


def one_place(typed: Sequence[str]) -> str:
    """Read ``coil3`` or ``coil 3``."""
    text = " ".join(typed)
    if sum(bool(re.search(r"\d", word)) for word in typed) > 1:
        raise InputError(f'"{text}" names more than one place; one at a time, as in coil3')
    return text
