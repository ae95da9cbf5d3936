"""What is kept with a job beside its findings, and what is taken back."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Annotated

import typer
from msgspec.structs import replace

from swapinfer.commands.app import command
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.commands.terminal import asked
from swapinfer.errors import InputError, JobError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import last_undoable


@command("note", "note 'washed the engine last week'")
def note(
    shop: Shop,
    text: Annotated[str, typer.Argument(help="Anything worth keeping.")],
    ro: str = "",
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
    event = replace(event, digest=digest_of_file(event))
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
