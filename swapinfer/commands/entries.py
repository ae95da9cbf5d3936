"""What is done on a job beside looking: parts handled, notes, pictures, and what is taken back."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from msgspec import structs

from swapinfer.commands.app import command, complete_place
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.commands.terminal import asked
from swapinfer.commands.typed import decimal, labour, named_fields
from swapinfer.errors import InputError, JobError
from swapinfer.ledger import events as ev
from swapinfer.ledger.papers import OldPart, Part
from swapinfer.ledger.replay import last_undoable

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


@command("note", "note 'washed the engine last week'")
def note(
    shop: Shop, text: Annotated[str, typer.Argument(help="Anything worth keeping.")], ro: str = ""
) -> Recorded:
    """Record free text."""
    if not text.strip():
        raise InputError("a note needs some text")
    return record(shop, lambda _job: [ev.Noted(text)], ro)


@command("attach", "attach plug3.jpg --of 3 --caption 'plug 3 as removed'")
def attach(
    shop: Shop,
    file: Annotated[Path, typer.Argument(help="JPEG or PNG.")],
    ro: str = "",
    caption: Annotated[str, typer.Option(help="What it shows, for the write-up.")] = "",
    of: Annotated[int | None, typer.Option(help="Number of the event that it shows.")] = None,
) -> Recorded:
    """Attach a picture, without its metadata."""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror})") from error
    return attach_picture(shop, file.name, data, caption, of, ro)


def attach_picture(
    shop: Shop, name: str, data: bytes, caption: str = "", of: int | None = None, ro: str = ""
) -> Recorded:
    """Attach a picture, without its metadata."""
    from swapinfer.claim.pictures import clean_picture, digest_of_file

    loaded = shop.load(ro)
    if of is not None:
        _check_number(loaded, of, "show")
    picture = clean_picture(data)
    text = base64.b64encode(picture.data).decode()
    event = ev.Attached(name, "", picture.media, text, caption.strip(), of)
    event = structs.replace(event, digest=digest_of_file(event))
    return record(shop, lambda _job: [event], loaded.ro)


@command("undo", "undo --why 'read at the wrong cylinder'")
def undo(
    shop: Shop,
    seq: Annotated[int | None, typer.Argument(help="Event number; default the newest.")] = None,
    why: Annotated[str, typer.Option(help="Reason; a write-up prints it.")] = "",
    ro: str = "",
) -> Recorded:
    """Retract the newest event that stands, or a given one; ask why where someone answers."""
    return take_back(shop, seq, why or asked("Why is it taken back? Enter for no reason"), ro)


def take_back(shop: Shop, seq: int | None = None, why: str = "", ro: str = "") -> Recorded:
    """Retract an event."""
    loaded = shop.load(ro)
    target = last_undoable(loaded.job) if seq is None else seq
    _check_number(loaded, target, "undo")
    return record(shop, lambda _job: [ev.Undone(target, why.strip())], ro)


def _check_number(loaded: OpenJob, seq: int, verb: str) -> None:
    last = len(loaded.records) - 1
    if not 0 < seq <= last:
        raise JobError(f"no event {seq} to {verb}; they are numbered 1 to {last}")
