"""What is kept with a job beside its findings, and what is taken back."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Annotated

import typer

from swapinfer.commands.app import command
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, JobError
from swapinfer.ledger import events as ev
from swapinfer.ledger.record import digest_text
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


@command("attach", "attach plug3.jpg")
def attach(
    shop: Shop, file: Annotated[Path, typer.Argument(help="JPEG or PNG.")], ro: str = ""
) -> Recorded:
    """Attach a picture, without its metadata.

    Raises
    ------
    InputError
        If it cannot be read or is no picture.
    """
    from swapinfer.claim.clean import clean_picture

    try:
        data = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror})") from error
    picture = clean_picture(data)
    text = base64.b64encode(picture.data).decode()
    event = ev.Attached(file.name, digest_text(text), picture.media, text)
    return record(shop, lambda _job: [event], ro)


@command("undo", "undo")
def undo(
    shop: Shop,
    seq: Annotated[int | None, typer.Argument(help="Event number; default the newest.")] = None,
    ro: str = "",
) -> Recorded:
    """Retract the newest event that stands, or a given one."""
    loaded = shop.load(ro)
    target = last_undoable(loaded.job) if seq is None else seq
    if not 0 < target < len(loaded.records):
        raise JobError(
            f"no event {target} to undo; they are numbered 1 to {len(loaded.records) - 1}"
        )
    return record(shop, lambda _job: [ev.Undone(target)], ro)
